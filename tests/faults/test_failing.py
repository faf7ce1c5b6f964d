"""A file operation fails, once or from then on: trying again gives the same log.

All of them: `python -m tests.faults failures 1`.
"""

from functools import cache

from tests.faults.failing import Failures, exhaust

EVERY = 17


@cache
def failures() -> Failures:
    """Return what some failures came to; the same ones every time."""
    return exhaust(EVERY)


def test_whatever_fails_the_log_ends_up_as_without_it() -> None:
    assert failures().runs > 2 * failures().operations / EVERY - 2
    assert failures().wrong == []


def test_a_batch_may_be_stored_although_an_error_was_reported() -> None:
    # Why storing twice has to be storing once.
    assert failures().stored_anyway > 0
