"""What goes wrong with power, processes and disks: `python -m tests.faults WHAT`.

The tests run a small part of it each time; the command runs as much as one likes and
prints what was found.
"""
