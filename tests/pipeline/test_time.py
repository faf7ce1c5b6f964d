"""Seconds, late items, holes and clock steps on their way through the chain."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.rollup import Minute
from logger.core.tick import Gap
from logger.decode.frames import Item, Line
from tests.builders import LAW, frame, rows, run, table_spec, us

CURRENT = table_spec("pack.current_a")
POWER = table_spec("pack.current_a", "pack.voltage_v")


def test_every_second_with_a_sample_is_a_tick() -> None:
    ticks = run(CURRENT, rows((0.2, 1.0), (0.9, 1.0), (1.0, 1.0), (4.5, 1.0))).ticks
    assert [tick.index for tick in ticks] == [0, 1, 4]


def test_a_tick_knows_its_first_and_newest_sample() -> None:
    (tick,) = run(CURRENT, rows((7.25, 1.0), (7.5, 1.0), (7.875, 1.0))).ticks
    assert (tick.first_us, tick.last_us) == (us(7.25), us(7.875))


def test_a_tick_is_given_as_soon_as_the_next_second_begins() -> None:
    # An interval is booked in the tick in which it ends: 10 A x 0.5 s in the second.
    ticks = run(CURRENT, rows((0.75, 10.0), (1.25, 10.0))).ticks
    integrals = [tick.cells["pack.current_a"].integral for tick in ticks]
    assert integrals == [0.0, 5.0]


def test_a_run_of_nothing_has_only_a_closing() -> None:
    outcome = run(CURRENT, [])
    assert outcome.outputs == (outcome.closing,)


def test_rows_of_empty_cells_make_no_tick() -> None:
    outcome = run(CURRENT, rows((0, None), (1, None)))
    assert outcome.outputs == (outcome.closing,)


def test_serial_lines_pass_through_without_effect() -> None:
    outcome = run(CURRENT, [Line(0, 0, "meter", b"V=399.5"), Line(us(3), 1, "m", b"")])
    assert outcome.outputs == (outcome.closing,)


def test_an_item_a_little_late_is_booked_in_the_open_second() -> None:
    # The sample of 0.9 s arrives when second 1 has begun.
    items = rows((0.5, 10.0), (1.0, 10.0), (0.9, 10.0), (1.5, 10.0))
    ticks = run(CURRENT, items).ticks
    assert [tick.cells["pack.current_a"].n for tick in ticks] == [1, 3]


def test_a_late_item_moves_the_begin_of_its_second_back() -> None:
    items = rows((0.5, 10.0), (1.0, 10.0), (0.9, 10.0), (1.5, 10.0))
    tick = run(CURRENT, items).ticks[1]
    assert (tick.first_us, tick.last_us) == (us(0.9), us(1.5))


def test_a_late_item_is_no_newest_value() -> None:
    # 500 A stamped 3.9 s arrives after 0 A of 4 s; 0 A again at 5 s: nothing flowed.
    items = rows((0, 0.0), (4, 0.0), (3.9, 500.0), (5, 0.0))
    outcome = run(CURRENT, items)
    assert outcome.integral("pack.current_a") == 0.0
    assert outcome.last("pack.current_a") == [0.0, 0.0, 0.0]
    assert outcome.ticks[1].cells["pack.current_a"].high == 500.0


def test_a_second_of_late_items_alone_does_not_end_before_the_last_one() -> None:
    # Second 1 is opened by a frame that feeds nothing and then gets a sample of 0.9 s.
    items: list[Item] = [*rows((0.95, 10.0)), frame(1.1, ""), *rows((0.9, 10.0))]
    first, second = run(CURRENT, items).ticks
    assert second.last_us == first.last_us == us(0.95)


def test_frames_after_the_last_sample_end_in_a_gap() -> None:
    # Nobody describes the frame; the current had been heard until 0 s.
    outcome = run(CURRENT, [*rows((0, 5.0)), frame(60, "")])
    assert outcome.gaps == [Gap("pack.current_a", 0, us(60))]
    assert outcome.trips[0].end_us == us(60)


def test_a_late_item_counts_no_time_twice() -> None:
    items = rows((0.5, 10.0), (1.0, 10.0), (0.9, 10.0), (1.5, 10.0))
    assert run(CURRENT, items).integral("pack.current_a") == 10.0  # 10 A x 1 s


@LAW
@given(st.floats(5.000001, 1e6), st.floats(-500, 500))
def test_a_hole_never_becomes_energy(hole_s: float, amps: float) -> None:
    # 2 s before the hole and 1 s after it, at 400 V.
    after_s = 2 + hole_s
    samples = [(t_s, amps, 400) for t_s in (0, 1, 2, after_s, after_s + 1)]
    outcome = run(POWER, rows(*samples))
    expected = pytest.approx(amps * 400 * 3, rel=1e-6, abs=1e-6)
    assert outcome.integral("pack.power_w") == expected


def test_a_hole_is_told_for_each_channel() -> None:
    outcome = run(CURRENT, rows((0, 5.0), (60, 5.0)))
    assert outcome.gaps == [Gap("pack.current_a", 0, us(60))]


def test_a_hole_is_booked_as_skipped() -> None:
    outcome = run(CURRENT, rows((0, 5.0), (60, 5.0)))
    assert outcome.closing.totals["pack.current_a"].skipped_us == us(60)


@LAW
@given(st.floats(0.1, 1e5))
def test_a_clock_stepping_back_never_becomes_energy(back_s: float) -> None:
    # Ten seconds at 400 W, then the clock is back; the 3 s after that run below the
    # newest stamp and cover nothing until it is passed.
    before = [(1e6 + t_s, 1.0, 400) for t_s in range(11)]
    after = [(1e6 + 10 - back_s + t_s, 1.0, 400) for t_s in range(4)]
    expected_s = 10 + max(0.0, 3 - back_s)
    outcome = run(POWER, rows(*before, *after))
    assert outcome.integral("pack.power_w") == pytest.approx(400 * expected_s, rel=1e-5)


def test_a_clock_stepping_ahead_never_becomes_energy() -> None:
    before = [(t_s, 1.0, 400) for t_s in range(11)]
    after = [(1.7e9 + t_s, 1.0, 400) for t_s in range(11)]
    outcome = run(POWER, rows(*before, *after))
    assert outcome.integral("pack.power_w") == 8000.0  # 400 W x (10 s + 10 s)


def test_a_late_item_works_out_nothing() -> None:
    # A late -20 A at 3.9 s: power was 2000 W all the while.
    items = rows((3.5, 5.0, 400), (4, 5.0, 400), (3.9, -20.0, None))
    cell = run(POWER, items).ticks[1].cells["pack.power_w"]
    assert (cell.n, cell.low, cell.high) == (1, 2000.0, 2000.0)


def test_minutes_are_the_ticks_joined() -> None:
    # 10 A for 61 s: the minute ends with its newest sample, at 59 s.
    outputs = run(CURRENT, rows(*((t_s, 10.0) for t_s in range(62)))).outputs
    first, second = (each for each in outputs if isinstance(each, Minute))
    cell = first.cells["pack.current_a"]
    assert (first.index, cell.n, cell.integral, cell.mean) == (0, 60, 590.0, 10.0)
    assert (second.index, second.cells["pack.current_a"].integral) == (1, 20.0)


def test_a_sensor_that_dies_within_a_trip_was_not_seen_to_its_end() -> None:
    # Heard until 60 s; the key goes off at 600 s, the run ends at 700 s.
    spec = table_spec("pack.current_a", "key.on")
    samples = [
        (t_s, -10.0 if t_s <= 60 else None, 1 if t_s < 600 else 0) for t_s in range(701)
    ]
    (trip,) = run(spec, rows(*samples)).trips
    assert trip.end_us == us(600)
    assert trip.skipped_us == us(540)
