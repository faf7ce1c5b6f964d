"""Whose turn it is on a polled line, with a made-up clock."""

from dataclasses import dataclass, field
from itertools import pairwise

import pytest

from logger.sources.turns import PATIENCE_US, US_PER_S, Turns

ASK_US = 50_000
"""What a question with an answer takes."""

WAIT_US = 320_000
"""And one without."""


@dataclass
class Round:
    """A line on which time only passes by asking and waiting.

    Attributes:
        asked_us: When each device was asked, by its number.
    """

    periods_s: tuple[float, ...]
    dead: set[int] = field(default_factory=set)
    now_us: int = 0
    asked_us: dict[int, list[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        periods_us = [round(period * US_PER_S) for period in self.periods_s]
        self.turns = Turns(periods_us, WAIT_US)

    def run(self, until_s: float) -> None:
        """Ask until a time, s."""
        while self.now_us < until_s * US_PER_S:
            which = self.turns.next(self.now_us)
            if which is None:
                self.now_us += max(
                    20_000, min(200_000, self.turns.rest_us(self.now_us))
                )
                continue
            self.asked_us.setdefault(which, []).append(self.now_us)
            if which in self.dead:
                self.now_us += WAIT_US
                self.turns.fail(which, self.now_us)
            else:
                self.now_us += ASK_US
                self.turns.answer(which)
                self.turns.finish(which, self.now_us)

    def longest_s(self, which: int, since_s: float = 0.0) -> float:
        """Return the longest time between two questions to a device, s."""
        times = [t for t in self.asked_us[which] if t >= since_s * US_PER_S]
        return max(b - a for a, b in pairwise(times)) / US_PER_S


def test_everybody_is_asked_at_its_own_period() -> None:
    line = Round((1.0, 2.0, 10.0))
    line.run(60)
    assert [len(line.asked_us[n]) for n in range(3)] == [60, 30, 6]


@pytest.mark.parametrize("dead", [{2}, {0, 2}])
def test_a_dead_device_costs_the_others_nothing(dead: set[int]) -> None:
    with_dead, without = Round((1.0, 1.0, 1.0), dead), Round((1.0, 1.0, 1.0))
    with_dead.run(600)
    without.run(600)
    for alive in {0, 1, 2} - dead:
        asked = with_dead.asked_us[alive]
        assert len(asked) >= len(without.asked_us[alive]) - 1
        # Once it is known to be dead, nobody is asked a moment later for its sake.
        assert with_dead.longest_s(alive, since_s=2) <= 1.0 + 0.2


def test_a_dead_device_is_asked_ever_more_rarely() -> None:
    line = Round((1.0, 1.0), dead={1})
    line.run(600)
    times = line.asked_us[1]
    waits_s = [(b - a) / US_PER_S for a, b in pairwise(times)]
    # Each of them at most until the next moment in which nobody is due.
    assert all(
        least <= wait < least + 2
        for least, wait in zip([5, 10, 20] + [60] * 20, waits_s, strict=False)
    )


def test_a_device_that_comes_back_is_found_within_a_minute() -> None:
    line = Round((1.0, 1.0), dead={1})
    line.run(300)
    line.dead.clear()
    line.run(362)
    line.run(400)
    assert line.longest_s(1, since_s=362) <= 1.2


def test_two_questions_may_go_wrong_before_a_device_counts_as_lost() -> None:
    turns = Turns([US_PER_S], WAIT_US)
    assert not turns.answer(0)
    turns.finish(0, 0)
    assert [turns.fail(0, now) for now in (1, 2, 3, 4)] == [False, False, True, False]
    assert turns.answer(0)
    assert not turns.answer(0)


def test_a_device_of_no_use_is_lost_at_once() -> None:
    turns = Turns([US_PER_S], WAIT_US)
    turns.answer(0)
    assert turns.fail(0, 1, is_over=True)


def test_on_a_full_line_a_lost_device_is_asked_once_a_minute() -> None:
    # A period of 0.1 s leaves no room for a wait of 0.32 s.
    line = Round((0.1, 1.0), dead={1})
    line.run(600)
    times = line.asked_us[1]
    waits = [b - a for a, b in pairwise(times[1:])]
    assert len(times) >= 4
    assert min(waits) >= PATIENCE_US


def test_rounds_that_were_missed_are_not_made_good() -> None:
    turns = Turns([US_PER_S], WAIT_US)
    turns.finish(0, 10 * US_PER_S)
    assert turns.rest_us(10 * US_PER_S) == US_PER_S
    assert turns.next(10 * US_PER_S) is None


def test_a_line_with_nobody_has_no_turns() -> None:
    assert Turns([], WAIT_US).next(5) is None
    assert Turns([], WAIT_US).rest_us(5) == 0
