"""What talks on each bus and port: heard, matched, told, drafted. Stores nothing."""
