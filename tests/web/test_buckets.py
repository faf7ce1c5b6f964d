"""Thinning for a chart: every spike survives, every gap stays a gap."""

from hypothesis import given
from hypothesis import strategies as st

from dashboard.buckets import Column, bucketed, grid
from logger.core.tick import US_PER_S, Cell
from tests.builders import LAW


def row(value: float, covered_s: float = 1.0) -> Cell:
    """Return a second, or what ended in it, in which a value held."""
    return Cell(1, value, value, value, value * covered_s, int(covered_s * US_PER_S))


def test_a_short_stretch_is_drawn_second_by_second() -> None:
    over = grid(10.0, 70.0, points=500)
    assert (over.step_s, over.count, over.starts_s[:2]) == (1, 60, [10, 11])
    assert over.last == 69


def test_up_to_two_hours_are_drawn_from_seconds() -> None:
    over = grid(0.0, 7200.0, points=500)
    assert (over.unit_s, over.step_s, over.count) == (1, 15, 480)


def test_more_than_two_hours_are_drawn_from_minutes() -> None:
    over = grid(0.0, 8 * 3600.0, points=500)
    assert (over.unit_s, over.step_s, over.count) == (60, 60, 480)


def test_a_spike_of_one_second_in_eight_hours_survives() -> None:
    minutes = [
        (index, Cell(60, -1.0, 90.0 if index == 300 else 1.0, 0.0, 0.0, 60_000_000))
        for index in range(480)
    ]
    column = bucketed(minutes, grid(0.0, 8 * 3600.0, points=100))
    assert max(high for high in column.high if high is not None) == 90.0
    assert sum(high == 90.0 for high in column.high) == 1


def test_a_gap_stays_empty() -> None:
    column = bucketed(
        [(0, row(1.0)), (1, row(1.0)), (5, row(2.0, 0.0))], grid(0.0, 6.0, 6)
    )
    nothing = [None, None, None]
    assert column.mean == [1.0, 1.0, *nothing, 2.0]
    assert column.low == column.mean == column.high


def test_a_source_that_speaks_every_five_seconds_leaves_no_holes() -> None:
    # 3 A at 0 s, 5 A at 5 s: the mean of the interval is 4 A.
    cells = [(0, row(3.0, 0.0)), (5, Cell(1, 5.0, 5.0, 5.0, 20.0, 5_000_000))]
    column = bucketed(cells, grid(0.0, 6.0, 6))
    assert column.mean == [3.0, 4.0, 4.0, 4.0, 4.0, 4.0]
    assert column.low[5] == 4.0  # the band always holds the mean
    assert column.high[5] == 5.0


def test_a_mean_is_weighted_by_time() -> None:
    cells = [(0, row(1.0, 0.25)), (1, row(5.0, 0.75))]
    assert bucketed(cells, grid(0.0, 2.0, 1)).mean == [4.0]


def test_rows_beyond_the_stretch_are_left_out() -> None:
    cells = [(0, row(9.0)), (1, row(1.0)), (2, row(9.0))]
    assert bucketed(cells, grid(1.0, 2.0, 5)) == Column([1.0], [1.0], [1.0])


def test_an_interval_that_ends_beyond_the_stretch_covers_its_end() -> None:
    cells = [(0, row(2.0, 0.0)), (5, Cell(1, 4.0, 4.0, 4.0, 15.0, 5_000_000))]
    assert bucketed(cells, grid(0.0, 3.0, 3)).mean == [2.0, 3.0, 3.0]


@LAW
@given(
    st.lists(st.tuples(st.integers(0, 200), st.floats(-1e6, 1e6)), max_size=60),
    st.floats(0, 150),
    st.floats(0.5, 100),
    st.integers(1, 60),
)
def test_no_extreme_is_lost_and_no_point_too_many(
    samples: list[tuple[int, float]], from_s: float, length_s: float, points: int
) -> None:
    cells = sorted({index: row(value) for index, value in samples}.items())
    over = grid(from_s, from_s + length_s, points)
    column = bucketed(cells, over)
    assert len(column.low) == len(column.mean) == len(column.high) <= points
    within = [cell for index, cell in cells if over.first <= index <= over.last]
    highs = [high for high in column.high if high is not None]
    lows = [low for low in column.low if low is not None]
    assert max(highs, default=0.0) >= max((c.high for c in within), default=0.0)
    assert min(lows, default=0.0) <= min((c.low for c in within), default=0.0)
    for low, mean, high in zip(column.low, column.mean, column.high, strict=True):
        assert mean is None or (low is not None and high is not None)
        if mean is not None and low is not None and high is not None:
            assert low <= mean <= high
