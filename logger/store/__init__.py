"""Edge: the book itself, one SQLite file. One writer thread; readers are read-only."""
