"""Samples at uneven times become a trapezoid; what was not seen becomes a gap."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.tick import US_PER_S, Cell, ChannelFold, Gap, GapRule
from tests.builders import LAW, folded, us

VALUES = st.floats(-1000, 1000)
STEPS_US = st.integers(1, 5 * US_PER_S)
SAMPLES = st.lists(st.tuples(STEPS_US, VALUES), min_size=1, max_size=40)


@LAW
@given(SAMPLES)
def test_the_integral_is_the_trapezoid_of_numpy(
    samples: list[tuple[int, float]],
) -> None:
    t_us = np.cumsum([step for step, _ in samples])
    fold = ChannelFold("pack.current_a", GapRule(), is_integrated=True)
    for at_us, (_, value) in zip(t_us, samples, strict=True):
        fold.add(int(at_us), value)
    # numpy.trapezoid over seconds
    expected = np.trapezoid([value for _, value in samples], t_us / US_PER_S)
    assert fold.close().integral == pytest.approx(expected, rel=1e-9, abs=1e-6)


@LAW
@given(SAMPLES, st.sets(st.integers(0, 39)))
def test_cutting_into_ticks_loses_no_interval(
    samples: list[tuple[int, float]], cuts: set[int]
) -> None:
    t_us = np.cumsum([step for step, _ in samples])
    fold = ChannelFold("pack.current_a", GapRule(), is_integrated=True)
    cells: list[Cell] = []
    for number, (at_us, (_, value)) in enumerate(zip(t_us, samples, strict=True)):
        fold.add(int(at_us), value)
        if number in cuts or number == len(samples) - 1:
            cells.append(fold.close())
    expected = np.trapezoid([value for _, value in samples], t_us / US_PER_S)
    total = sum(cell.integral for cell in cells)
    assert total == pytest.approx(expected, rel=1e-9, abs=1e-6)
    assert sum(cell.covered_us for cell in cells) == t_us[-1] - t_us[0]


@LAW
@given(SAMPLES)
def test_a_cell_knows_its_lowest_highest_and_newest_sample(
    samples: list[tuple[int, float]],
) -> None:
    values = [value for _, value in samples]
    cell, _ = folded(enumerate(values))
    expected = (len(values), min(values), max(values), values[-1])
    assert (cell.n, cell.low, cell.high, cell.last) == expected


def test_the_next_tick_begins_with_its_own_extremes() -> None:
    fold = ChannelFold("pack.current_a", GapRule(), is_integrated=True)
    fold.add(0, 500.0)
    fold.close()
    fold.add(us(1), 20.0)
    assert fold.close().high == 20.0


# DESIGN.md section 3: an interval counts if 0 < dt <= max(5 s, 3 x its period), or up
# to the limit that is declared.
@pytest.mark.parametrize(
    ("rule", "limit_s"),
    [
        (GapRule(), 5.0),  # nothing declared: the floor
        (GapRule(period_us=us(1)), 5.0),  # 3 x 1 s is below the floor
        (GapRule(period_us=us(4)), 12.0),  # 3 x 4 s
        (GapRule(max_gap_us=us(2)), 2.0),  # a declared limit may be below the floor
        (GapRule(max_gap_us=us(90), period_us=us(1)), 90.0),  # and goes before a beat
    ],
)
def test_an_interval_counts_up_to_its_limit(rule: GapRule, limit_s: float) -> None:
    cell, gaps = folded([(0, 10.0), (limit_s, 10.0)], rule)
    assert (cell.integral, gaps) == (10.0 * limit_s, [])  # a rectangle


@pytest.mark.parametrize(
    ("rule", "limit_s"),
    [
        (GapRule(), 5.0),
        (GapRule(period_us=us(4)), 12.0),
        (GapRule(max_gap_us=us(2)), 2.0),
    ],
)
def test_one_microsecond_more_is_a_gap(rule: GapRule, limit_s: float) -> None:
    end_s = limit_s + 1e-6
    cell, gaps = folded([(0, 10.0), (end_s, 10.0)], rule)
    assert (cell.integral, cell.covered_us) == (0.0, 0)
    assert gaps == [Gap("pack.current_a", 0, us(end_s))]


def test_counting_goes_on_after_a_gap() -> None:
    # 2 s before the hole and 3 s after it at 10 A: 50 As; the 100 s are not booked.
    samples = [(0, 10.0), (2, 10.0), (102, 10.0), (105, 10.0)]
    cell, gaps = folded(samples)
    assert cell.integral == 50.0
    assert gaps == [Gap("pack.current_a", us(2), us(102))]


def test_codes_are_not_integrated() -> None:
    cell, _ = folded([(0, 3.0), (1, 3.0)], is_integrated=False)
    assert (cell.integral, cell.covered_us, cell.last) == (0.0, 0, 3.0)


def test_a_hole_in_a_coded_channel_is_still_a_gap() -> None:
    _, gaps = folded([(0, 3.0), (9, 3.0)], is_integrated=False)
    assert gaps == [Gap("pack.current_a", 0, us(9))]


def test_of_equal_stamps_the_later_sample_holds() -> None:
    # By hand: (10 + 20) / 2 x 1 s + (40 + 40) / 2 x 1 s = 15 + 40.
    cell, _ = folded([(0, 10.0), (1, 20.0), (1, 40.0), (2, 40.0)])
    assert (cell.integral, cell.covered_us) == (55.0, us(2))


@LAW
@given(
    st.lists(
        st.tuples(st.integers(1, US_PER_S), st.integers(0, 2 * US_PER_S)),
        min_size=2,
        max_size=30,
    )
)
def test_samples_that_run_back_count_no_time_twice(
    steps: list[tuple[int, int]],
) -> None:
    fold = ChannelFold("pack.current_a", GapRule(), is_integrated=True)
    clock_us, seen_us = 0, []
    for step_us, late_us in steps:
        clock_us += step_us
        seen_us.append(clock_us - late_us)
        fold.add(seen_us[-1], 60.0)
    cell = fold.close()
    span_us = max(seen_us) - seen_us[0]
    assert cell.covered_us == span_us
    assert cell.integral == pytest.approx(60.0 * span_us / US_PER_S)  # a rectangle


def test_the_mean_is_weighted_by_time() -> None:
    # 0 A for 1 s, then a ramp to 60 A in 2 s: 60 As in 3 s.
    cell, _ = folded([(0, 0.0), (1, 0.0), (3, 60.0)])
    assert cell.mean == 20.0


def test_without_counted_time_the_mean_is_the_newest_sample() -> None:
    cell, _ = folded([(0, 7.0)])
    assert cell.mean == 7.0
