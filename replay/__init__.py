"""Edge: plays recordings through the same pipeline that a drive goes through."""
