"""The van file: everything the code may not guess, as frozen settings.

`settings` says which keys there are, `faults` puts what is wrong into words, and
`reading` reads a file, finds every fault at once and builds what the pipeline needs.
"""
