"""Faults that repeat: told at the first, at each doubling, and at the end."""

from logger.sources.repeats import Repeats
from tests.builders import us


def test_a_thousand_faults_are_told_ten_times() -> None:
    told: list[str] = []
    faults = Repeats(told.append)
    for number in range(1000):
        faults.add("bus-off", us(number * 0.01))
    assert told == [f"bus-off, {2**n} so far" for n in range(10)]
    assert faults.total == 1000
    assert faults.words() == "bus-off (1000)"


def test_many_at_once_are_told_once() -> None:
    told: list[str] = []
    faults = Repeats(told.append)
    faults.add("lost", 0, 700)
    faults.add("lost", 1, 300)
    faults.add("lost", 2, 24)
    assert told == ["lost, 700 so far", "lost, 1024 so far"]


def test_the_end_is_told_after_a_quiet_minute_and_the_next_is_a_first() -> None:
    told: list[str] = []
    faults = Repeats(told.append)
    faults.add("bus-off", 0)
    faults.add("no acknowledgement", us(30.0))
    faults.look(us(60.0))
    assert faults.words() == "bus-off (1), no acknowledgement (1)"
    faults.look(us(60.1))
    assert faults.words() == "no acknowledgement (1)"
    faults.add("bus-off", us(70.0))
    assert told[2:] == ["bus-off, over, 1 in all", "bus-off, 1 so far"]
    assert faults.total == 3
