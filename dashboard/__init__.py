"""Edge: the phone page. Reads the log; never listens, writes the log or commands."""
