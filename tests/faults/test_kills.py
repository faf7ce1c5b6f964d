"""A writing process is killed at any moment: what it acknowledged is there.

The whole of it: `python -m tests.faults kills 200`.
"""

from tests.faults.killing import play

KILLS = 8


def test_a_kill_damages_nothing_and_loses_nothing_acknowledged() -> None:
    tally = play(KILLS, seed=1)
    assert tally.cuts == KILLS
    assert tally.damaged == []
    assert tally.lost == []
    assert tally.worst_s <= 2
    # Read as it lay, with no writer anywhere, before a new writer went on.
    assert tally.work["wal left behind"] > KILLS / 2
