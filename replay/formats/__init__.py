"""Recordings made elsewhere: what each form looks like and how it is read."""
