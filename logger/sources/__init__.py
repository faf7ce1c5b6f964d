"""Edge: buses and ports come in here, each on a thread of its own; nothing goes out."""
