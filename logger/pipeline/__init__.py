"""Pure: the chain from what came in to what is stored.

`spec` says what has to be known of a van and what comes out, `series` ties feeds to
channels, `chain` runs the whole: decode, choose, tick, count.
"""
