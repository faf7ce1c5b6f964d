"""Pure: the chain from what came in to what is stored.

`spec` says what has to be known of a van and what comes out, `series` ties feeds to
channels, `folding` decodes, chooses and makes seconds, `booking` makes of them what
they come to, `chain` runs the whole.
"""
