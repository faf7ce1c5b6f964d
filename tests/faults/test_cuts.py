"""Power goes at any moment: what was acknowledged is there, and the file is sound.

The whole of it: `python -m tests.faults cuts 5000`.
"""

from functools import cache

from tests.faults.cutting import RARE, Tally, play

CUTS = 150
FEW = 50


@cache
def tally() -> Tally:
    """Return what some cuts came to; the same ones every time."""
    return play(CUTS, seed=1)


def test_no_cut_damages_a_file() -> None:
    assert tally().cuts == CUTS
    assert tally().damaged == []


def test_no_cut_loses_what_was_acknowledged() -> None:
    assert tally().lost == []


def test_a_cut_costs_two_seconds_at_most() -> None:
    assert 0 < tally().worst_s <= 2


def test_power_goes_in_every_stage_of_the_work() -> None:
    assert set(tally().stages) >= {*RARE, "store"}


def test_folded_and_pruned_logs_are_among_them() -> None:
    assert tally().work["folded"] > 0
    assert tally().work["shed"] > 0


def test_with_less_care_acknowledged_seconds_are_lost() -> None:
    # What FULL is for; and it shows that a loss would be found.
    careless = play(FEW, seed=1, synchronous="NORMAL")
    assert careless.damaged == []
    assert len(careless.lost) > 0
    assert careless.worst_s > 2


def test_without_flushing_files_are_damaged() -> None:
    assert len(play(FEW, seed=1, synchronous="OFF").damaged) > 0
