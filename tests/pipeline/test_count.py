"""Where the count begins, how it goes on, and what is shown of it."""

import math
from dataclasses import replace

import pytest

from logger.core.soc import UNKNOWN, Count, PackSpec
from logger.core.tick import Gap
from logger.pipeline.spec import PipelineSpec
from tests.builders import rows, run, table_spec, us

PACK = PackSpec(capacity_ah=100.0, capacity_sigma_frac=0.02)
KNOWN = Count(50.0, start_sigma_pct=5.0)
CURRENT = replace(table_spec("pack.current_a"), pack=PACK, start=KNOWN)
METER = replace(
    table_spec("pack.current_a", "meter.soc_pct"),
    pack=PACK,
    start=Count(start_sigma_pct=5.0),
    is_start_reported=True,
)
# 36 A for 100 s are 1 Ah, 1 % of the pack.
ONE_PERCENT = [(t_s, 36.0) for t_s in range(101)]


def begins(spec: PipelineSpec, carried: Count | None = None) -> float | None:
    """Return the count after a first row of 0 A where the meter says 70 %."""
    return run(spec, rows((0, 0.0, 70.0)), carried).closing.count.counted_pct


def test_the_count_follows_the_current() -> None:
    outcome = run(CURRENT, rows(*ONE_PERCENT))
    assert outcome.closing.count.counted_pct == pytest.approx(51.0)


def test_every_second_has_the_count_and_its_band() -> None:
    (tick,) = run(CURRENT, rows((0, 0.0))).ticks
    shown = {name: tick.cells[name].last for name in tick.cells if "soc" in name}
    # 1.96 x 5 + 0.4 = 10.2 points each way
    assert shown == pytest.approx(
        {
            "pack.soc_pct": 50.0,
            "pack.soc_low_pct": 39.8,
            "pack.soc_high_pct": 60.2,
            "pack.soc_counted_pct": 50.0,
        }
    )


def test_without_a_start_nothing_is_shown() -> None:
    outcome = run(replace(CURRENT, start=UNKNOWN), rows(*ONE_PERCENT))
    assert all(set(tick.cells) == {"pack.current_a"} for tick in outcome.ticks)


def test_without_a_start_a_trip_still_knows_its_change() -> None:
    (trip,) = run(replace(CURRENT, start=UNKNOWN), rows(*ONE_PERCENT)).trips
    assert trip.soc_counted_change_pct == pytest.approx(1.0)
    assert trip.soc_end_pct is None


def test_a_trip_knows_its_start_and_end() -> None:
    (trip,) = run(CURRENT, rows(*ONE_PERCENT)).trips
    assert trip.soc_start_pct == 50.0
    assert trip.soc_end_pct == pytest.approx(51.0)


def test_without_a_pack_nothing_is_counted() -> None:
    closing = run(replace(CURRENT, pack=None), rows(*ONE_PERCENT)).closing
    assert closing.sigma_pct is None


def test_without_a_current_a_trip_has_no_change() -> None:
    spec = replace(table_spec("pack.voltage_v"), pack=PACK, start=KNOWN)
    (trip,) = run(spec, rows((0, 400), (1, 400))).trips
    assert trip.soc_counted_change_pct is None


def test_unseen_time_widens_the_spread() -> None:
    # Half an hour at 12 % an hour on top of the start: sqrt(25 + 36).
    closing = run(CURRENT, rows((0, 0.0), (1800, 0.0))).closing
    assert closing.sigma_pct == pytest.approx(math.sqrt(61.0))


def test_a_hole_in_another_channel_does_not_widen_it() -> None:
    spec = replace(table_spec("pack.current_a", "road.speed_mps"), pack=PACK)
    spec = replace(spec, start=KNOWN)
    samples = [(t_s, 0.0, 9.0 if t_s in (0, 99) else None) for t_s in range(100)]
    # 0.15 A x 99 s of 100 Ah is all there is beside the start: 0.004 %.
    assert run(spec, rows(*samples)).closing.sigma_pct == pytest.approx(5.0, abs=1e-4)


# 12 % an hour for the silent hour, on top of a start of 5 points: sqrt(25 + 144).
AN_HOUR_UNSEEN = pytest.approx(13.0, abs=0.02)
SPEED_TOO = replace(
    table_spec("pack.current_a", "road.speed_mps"), pack=PACK, start=KNOWN
)


def test_a_sensor_that_dies_costs_certainty_to_the_end_of_the_run() -> None:
    alone = [(t_s, None, 9.0) for t_s in range(1, 3602, 5)]
    outcome = run(SPEED_TOO, rows((0, 0.0, 9.0), *alone))
    assert outcome.closing.sigma_pct == AN_HOUR_UNSEEN
    last = outcome.ticks[-1].cells["pack.soc_low_pct"].last
    assert last == pytest.approx(50.0 - 1.96 * 13.0 - 0.4, abs=0.05)
    assert outcome.gaps == [Gap("pack.current_a", 0, us(3601))]
    (trip,) = outcome.trips
    assert trip.skipped_us == us(3601)


def test_a_sensor_that_wakes_late_costs_certainty_too() -> None:
    alone = [(t_s, None, 9.0) for t_s in range(0, 3600, 5)]
    outcome = run(SPEED_TOO, rows(*alone, (3600, 0.0, 9.0)))
    assert outcome.closing.sigma_pct == AN_HOUR_UNSEEN


def test_a_van_without_a_current_sensor_soon_knows_nothing() -> None:
    spec = replace(table_spec("road.speed_mps"), pack=PACK, start=KNOWN)
    outcome = run(spec, rows(*((t_s, 9.0) for t_s in range(0, 3601, 5))))
    assert outcome.closing.sigma_pct == AN_HOUR_UNSEEN


def test_what_a_meter_says_late_is_as_sure_as_what_it_says_early() -> None:
    alone = [(t_s, 0.0, None) for t_s in range(0, 3600, 600)]
    outcome = run(METER, rows(*alone, (3600, 0.0, 70.0)))
    assert outcome.closing.sigma_pct == pytest.approx(5.0, abs=0.01)


def test_a_count_begins_with_the_first_value_of_the_meter() -> None:
    assert begins(METER) == 70.0


def test_later_values_of_the_meter_do_not_move_the_count() -> None:
    outcome = run(METER, rows((0, 0.0, 70.0), (1, 0.0, 60.0)))
    assert outcome.closing.count.counted_pct == 70.0


def test_a_meter_that_speaks_late_begins_the_count_then() -> None:
    outcome = run(METER, rows((0, 0.0, None), (1, 0.0, 70.0)))
    assert outcome.last("pack.soc_counted_pct") == [70.0]


def test_what_moved_before_the_meter_spoke_belongs_to_the_trip() -> None:
    # The 1 % of ONE_PERCENT, with the meter's first value halfway.
    samples = [(*each, 70.0 if each[0] == 50 else None) for each in ONE_PERCENT]
    (trip,) = run(METER, rows(*samples)).trips
    assert trip.soc_counted_change_pct == pytest.approx(1.0)


def test_a_meter_is_not_asked_unless_the_van_file_says_so() -> None:
    assert begins(replace(METER, is_start_reported=False)) is None


def test_a_start_from_the_meter_has_the_declared_spread() -> None:
    closing = run(METER, rows((0, 0.0, 70.0))).closing
    assert closing.sigma_pct == pytest.approx(5.0)


# The meter's start has a spread of 5 points.
@pytest.mark.parametrize(
    ("carried_sigma_pct", "counted_pct"),
    [
        (3.0, 62.0),  # the carried count is the surer
        (5.0, 62.0),  # alike: the count goes on
        (6.0, 70.0),  # the meter is the surer
    ],
)
def test_of_carried_count_and_meter_the_surer_begins(
    carried_sigma_pct: float, counted_pct: float
) -> None:
    carried = Count(62.0, start_sigma_pct=carried_sigma_pct)
    assert begins(METER, carried) == counted_pct


def test_a_carried_count_goes_before_the_start_of_the_van_file() -> None:
    carried = Count(62.0, start_sigma_pct=30.0)
    assert run(CURRENT, rows((0, 0.0)), carried).closing.count.counted_pct == 62.0


def test_a_run_before_that_knew_no_count_carries_nothing() -> None:
    assert run(CURRENT, rows((0, 0.0)), UNKNOWN).closing.count.counted_pct == 50.0


@pytest.mark.parametrize(
    ("names", "trips"),
    [
        (("pack.current_a",), 1),  # no key: all is one trip
        (("pack.current_a", "drive.ready"), 2),
        (("pack.current_a", "drive.ready", "key.on"), 1),  # the key goes first
    ],
)
def test_a_trip_is_told_by_the_first_key_channel_that_the_van_has(
    names: tuple[str, ...], trips: int
) -> None:
    # ready twice, key on once
    cells = [(0, 1, 1), (0, 0, 1), (0, 1, 1), (0, 0, 0), (0, 0, 0)]
    timed = [(t_s, *each[: len(names)]) for t_s, each in enumerate(cells)]
    assert len(run(table_spec(*names), rows(*timed)).trips) == trips


def test_within_a_second_the_newest_key_tells() -> None:
    (trip,) = run(table_spec("key.on"), rows((0, 1), (1.0, 1), (1.5, 0), (2, 0))).trips
    assert trip.end_us == us(1.5)


def test_a_trip_is_given_with_the_second_that_ended_it() -> None:
    outcome = run(table_spec("key.on"), rows((0, 1), (1, 0), (2, 0)))
    kinds = [type(output).__name__ for output in outcome.outputs]
    assert kinds == ["Tick", "Tick", "Trip", "Tick", "Minute", "Quarter", "Balance"]


def test_a_start_in_a_covered_second_counts_no_negative_time() -> None:
    samples = [(t_s, 0.0, 70.0 if t_s == 50 else None) for t_s in range(0, 101, 5)]
    count = run(METER, rows(*samples)).closing.count
    assert count.unseen_s == 0.0
    assert count.counted_s == 55.0  # from the second of the start on
