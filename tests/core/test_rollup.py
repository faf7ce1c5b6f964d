"""Ticks fold into minutes whose mean and time give the integral again."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.rollup import Minute, MinuteFold, covered_s, join_cells
from logger.core.tick import Cell
from tests.builders import LAW, tick, us

CELLS = st.builds(
    lambda n, ends, integral, covered_us: Cell(
        n, min(ends), max(ends), ends[0], integral, covered_us
    ),
    st.integers(1, 100),
    st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=3),
    st.floats(-1e5, 1e5),
    st.integers(1, 10_000_000),
)


@LAW
@given(st.lists(CELLS, min_size=1, max_size=20))
def test_mean_times_covered_time_is_the_integral(cells: list[Cell]) -> None:
    joined = cells[0]
    for cell in cells[1:]:
        joined = join_cells(joined, cell)
    expected = math.fsum(cell.integral for cell in cells)
    got = joined.mean * covered_s(joined)
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-6)


def test_two_stretches_join_into_one() -> None:
    # 15 As in 1 s and 90 As in 2 s.
    earlier = Cell(n=3, low=-5.0, high=20.0, last=10.0, integral=15.0, covered_us=us(1))
    later = Cell(n=2, low=0.0, high=60.0, last=30.0, integral=90.0, covered_us=us(2))
    assert join_cells(earlier, later) == Cell(
        n=5, low=-5.0, high=60.0, last=30.0, integral=105.0, covered_us=us(3)
    )


def test_a_minute_ends_when_the_next_one_begins() -> None:
    fold = MinuteFold()
    assert fold.add(tick(58, {"house.power_w": 100.0})) is None
    assert fold.add(tick(59, {"house.power_w": 300.0})) is None
    # 400 Ws in 2 s, from 100 W to 300 W
    assert fold.add(tick(60, {"house.power_w": 500.0})) == Minute(
        0, {"house.power_w": Cell(2, 100.0, 300.0, 300.0, 400.0, us(2))}
    )


def test_the_next_minute_begins_empty() -> None:
    fold = MinuteFold()
    fold.add(tick(59, {"house.power_w": 300.0, "aux.voltage_v": 13.0}))
    fold.add(tick(60, {"house.power_w": 500.0}))
    assert fold.finish() == Minute(
        1, {"house.power_w": Cell(1, 500.0, 500.0, 500.0, 500.0, us(1))}
    )


def test_a_minute_has_every_channel_that_spoke_in_it() -> None:
    fold = MinuteFold()
    fold.add(tick(0, {"house.power_w": 1.0}))
    fold.add(tick(1, {"aux.voltage_v": 13.0}))
    minute = fold.finish()
    assert minute is not None
    assert set(minute.cells) == {"house.power_w", "aux.voltage_v"}


def test_minutes_in_which_nothing_was_heard_are_left_out() -> None:
    fold = MinuteFold()
    indexes = []
    for index in (0, 600, 601):
        if (done := fold.add(tick(index, {"house.power_w": 1.0}))) is not None:
            indexes.append(done.index)
    if (last := fold.finish()) is not None:
        indexes.append(last.index)
    assert indexes == [0, 10]


def test_there_is_nothing_to_finish_before_the_first_tick() -> None:
    assert MinuteFold().finish() is None
