"""Files, threads and commands."""
