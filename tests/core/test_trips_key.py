"""Where a trip begins and ends when the van has a key channel."""

import pytest

from logger.core.soc import NO_STANDING
from logger.core.tick import Gap
from logger.core.trips import Trip, TripFold
from tests.builders import tick, us

KEY = "key.on"


def trips(*ticks: tuple[int, dict[str, float]]) -> list[Trip]:
    """Return the trips of these seconds, with the one still under way at the end."""
    fold = TripFold(KEY)
    found = [
        trip
        for each in ticks
        for trip in fold.add(tick(*each), NO_STANDING, NO_STANDING)
    ]
    return found + fold.finish()


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
    (trip,) = trips((1, {KEY: 1.0}), (2, speed), (3, {KEY: 0.0}), (4, speed))
    assert trip.distance_m == 10.0  # 10 m/s for 1 s; the last second is after it


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
    fold.add(tick(100, {KEY: 1.0}), NO_STANDING, NO_STANDING)
    fold.add(tick(109, {"pack.current_a": 1.0}, hole), NO_STANDING, NO_STANDING)
    (trip,) = fold.finish()
    assert trip.skipped_us == us(skipped_s)


SPEED = {"road.speed_mps": 10.0}


def test_before_it_is_heard_the_key_may_have_been_on() -> None:
    (trip,) = trips((0, SPEED), (1, {KEY: 1.0}), (2, {KEY: 0.0}))
    assert (trip.start_us, trip.distance_m) == (0, 10.0)


def test_a_trip_is_taken_back_when_the_key_turns_out_to_be_off() -> None:
    (trip,) = trips((0, SPEED), (1, {KEY: 0.0}), (50, {KEY: 1.0}))
    assert trip.start_us == us(50)


def test_what_was_long_before_the_first_key_is_no_part_of_the_trip() -> None:
    parked = [(t_s, SPEED) for t_s in range(0, 700, 50)]
    (trip,) = trips(*parked, (700, {KEY: 1.0}), (701, SPEED))
    assert trip.start_us == us(700)


def test_a_key_that_is_never_heard_makes_the_recording_one_trip() -> None:
    (trip,) = trips((0, SPEED), (900, SPEED))
    assert (trip.start_us, trip.end_us) == (0, us(900.5))


def test_a_key_that_falls_silent_was_turned_off() -> None:
    # The bus fell asleep before "off" was seen; the next morning is another trip.
    evening, morning = trips(
        (0, {KEY: 1.0}), (1, SPEED), (36_000, {KEY: 1.0}), (36_001, {KEY: 0.0})
    )
    assert (evening.start_us, evening.end_us) == (0, us(1.5))
    assert (morning.start_us, morning.end_us) == (us(36_000), us(36_001.5))


def test_a_key_that_stumbles_does_not_cut_a_trip() -> None:
    assert len(trips((0, {KEY: 1.0}), (599, SPEED), (600, {KEY: 1.0}))) == 1


def test_a_declared_silence_of_the_key_is_waited_for() -> None:
    fold = TripFold(KEY, key_silence_us=us(4000))
    for each in ((0, {KEY: 1.0}), (3600, SPEED), (4000, SPEED)):
        assert fold.add(tick(*each), NO_STANDING, NO_STANDING) == []
    (ended,) = fold.add(tick(4001, SPEED), NO_STANDING, NO_STANDING)
    assert ended.end_us == us(4000.5)
