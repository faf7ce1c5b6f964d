"""Recorded drives, replayed to the figures others found."""
