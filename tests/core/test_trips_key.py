"""Where a trip begins and ends when the van has a key channel."""

import pytest

from logger.core.tick import Gap
from logger.core.trips import Trip, TripFold
from tests.builders import tick, us

KEY = "key.on"


def trips(*ticks: tuple[int, dict[str, float]]) -> list[Trip]:
    """Return the trips of these seconds, with the one still under way at the end."""
    fold = TripFold(KEY)
    found = [fold.add(tick(*each), None, None, None) for each in ticks]
    return [trip for trip in (*found, fold.finish()) if trip is not None]


def test_a_trip_lasts_from_key_on_to_key_off() -> None:
    (trip,) = trips(
        (0, {KEY: 0.0}),
        (10, {KEY: 1.0}),
        (50, {KEY: 1.0}),
        (60, {KEY: 0.0}),
        (99, {KEY: 0.0}),
    )
    # tick() puts the newest sample at the middle of the second.
    assert (trip.start_us, trip.end_us) == (us(10), us(60.5))


def test_a_second_without_the_key_changes_nothing() -> None:
    speed = {"road.speed_mps": 10.0}
    (trip,) = trips((0, speed), (1, {KEY: 1.0}), (2, speed), (3, {KEY: 0.0}))
    assert trip.distance_m == 10.0  # 10 m/s for 1 s; the first second is before it


def test_the_key_makes_two_trips_of_two_drives() -> None:
    drive = [(0, {KEY: 1.0}), (5, {KEY: 0.0}), (9, {KEY: 1.0}), (12, {KEY: 0.0})]
    assert [trip.start_us for trip in trips(*drive)] == [us(0), us(9)]


def test_the_second_trip_begins_with_empty_accounts() -> None:
    _, second = trips(
        (0, {KEY: 1.0, "road.speed_mps": 30.0}),
        (1, {KEY: 0.0}),
        (2, {KEY: 1.0, "road.speed_mps": 7.0}),
    )
    assert second.distance_m == 7.0


def test_a_trip_under_way_at_the_end_of_the_run_is_given_too() -> None:
    (trip,) = trips((4, {KEY: 1.0}), (8, {"road.speed_mps": 2.0}))
    assert (trip.start_us, trip.end_us) == (us(4), us(8.5))


def test_a_key_that_was_never_on_makes_no_trip() -> None:
    assert trips((0, {KEY: 0.0}), (1, {"road.speed_mps": 9.0})) == []


@pytest.mark.parametrize(
    ("start_s", "end_s", "skipped_s"),
    [
        (102, 109, 7),  # within the trip
        (20, 109, 9),  # parked from 20 to 100: that was no part of the trip
    ],
)
def test_only_time_within_the_trip_was_skipped_by_it(
    start_s: int, end_s: int, skipped_s: int
) -> None:
    fold = TripFold(KEY)
    hole = Gap("pack.current_a", us(start_s), us(end_s))
    fold.add(tick(100, {KEY: 1.0}), None, None, None)
    fold.add(tick(109, {"pack.current_a": 1.0}, hole), None, None, None)
    trip = fold.finish()
    assert trip is not None
    assert trip.skipped_us == us(skipped_s)
