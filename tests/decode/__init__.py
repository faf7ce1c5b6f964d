"""Bytes on the left, values on the right."""
