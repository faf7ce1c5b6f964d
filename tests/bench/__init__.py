"""Timings, apart from the tests: `python -m tests.bench WHAT` prints figures.

They stand beside the figures that the project has set itself (DEVELOPERS.md, "Figures
to reach"); a busy machine makes them worse, which is why no test asserts them.
"""
