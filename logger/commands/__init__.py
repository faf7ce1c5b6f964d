"""The command line's own part: the group, and what needs no recording or page."""
