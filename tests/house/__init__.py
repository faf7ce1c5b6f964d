"""The house itself: names, documents, structure."""
