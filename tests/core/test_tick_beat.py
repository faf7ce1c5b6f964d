"""A source may slow down: its beat is learned, its holes are not."""

import itertools
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.tick import LEARNED, Gap, GapRule
from tests.builders import LAW, folded, us

DRIVING_S = [1.0] * 10


def gaps_of(intervals_s: Sequence[float], rule: GapRule = LEARNED) -> list[Gap]:
    """Return the gaps in samples that come at these intervals."""
    times = itertools.accumulate(intervals_s, initial=0.0)
    return folded([(t_s, 1.0) for t_s in times], rule)[1]


@LAW
@given(st.lists(st.floats(4.25, 5.75), min_size=3, max_size=50))
def test_a_parked_beat_of_five_seconds_is_known_after_two_intervals(
    parked_s: list[float],
) -> None:
    known_us = us(sum(DRIVING_S) + sum(parked_s[:2]))
    gaps = gaps_of([*DRIVING_S, *parked_s])
    assert [gap for gap in gaps if gap.start_us > known_us + 5] == []


def test_the_intervals_before_a_slower_beat_is_known_are_gaps() -> None:
    # 20 s is above the 5 s floor; the third interval in a row shows the beat.
    gaps = gaps_of([*DRIVING_S, 20.0, 20.0, 20.0, 20.0])
    assert [(gap.start_us, gap.end_us) for gap in gaps] == [
        (us(10), us(30)),
        (us(30), us(50)),
    ]


@pytest.mark.parametrize(("hole_s", "gaps"), [(60.0, 0), (60.5, 1)])
def test_a_learned_beat_allows_two_missed_samples(hole_s: float, gaps: int) -> None:
    # Beat 20 s, so the limit is 3 x 20 s.
    assert len(gaps_of([20.0, 20.0, 20.0, 20.0, hole_s])) == 2 + gaps


def test_holes_between_samples_teach_nothing() -> None:
    # The bus drops out for 10 s again and again: every hole stays a gap.
    assert len(gaps_of([1.0, 10.0] * 20)) == 20


def test_uneven_holes_in_a_row_teach_nothing() -> None:
    # No two of these are within a factor of two of the middle one.
    assert len(gaps_of([6.0, 13.0, 30.0, 70.0])) == 4


@pytest.mark.parametrize(
    ("third_s", "gaps"),
    [
        (30.0, 2),  # one and a half times the middle one: a beat
        (31.0, 3),
    ],
)
def test_the_longest_of_three_is_at_most_half_as_long_again(
    third_s: float, gaps: int
) -> None:
    assert len(gaps_of([20.0, 20.0, third_s])) == gaps


@pytest.mark.parametrize(
    ("first_s", "gaps"),
    [
        (10.0, 2),  # half the middle one: a beat
        (9.0, 3),
    ],
)
def test_the_shortest_of_three_is_at_least_half_as_long(
    first_s: float, gaps: int
) -> None:
    assert len(gaps_of([first_s, 20.0, 20.0])) == gaps


def test_two_samples_at_one_instant_do_not_hide_the_beat() -> None:
    # A box that sends two messages every 20 s.
    assert len(gaps_of([20.0, 0.0] * 6)) == 2


def test_a_beat_slower_than_a_minute_is_not_learned() -> None:
    assert len(gaps_of([61.0] * 10)) == 10


def test_a_beat_of_a_minute_is_learned() -> None:
    assert len(gaps_of([60.0] * 10)) == 2


@pytest.mark.parametrize("rule", [GapRule(period_us=us(1)), GapRule(max_gap_us=us(5))])
def test_nothing_is_learned_where_the_van_file_speaks(rule: GapRule) -> None:
    assert len(gaps_of([20.0] * 10, rule)) == 10


def test_a_faster_beat_does_not_take_the_learned_limit_back() -> None:
    # Parked at 20 s, then driving at 1 s, then parked again: two gaps, not four.
    assert len(gaps_of([20.0] * 5 + DRIVING_S + [20.0] * 5)) == 2
