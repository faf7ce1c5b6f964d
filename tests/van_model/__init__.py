"""Tests of the invented van as far as it is pure."""
