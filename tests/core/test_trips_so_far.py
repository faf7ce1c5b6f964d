"""A trip under way: what it has come to, and the silence that ends it."""

import pytest

from logger.core.rollup import MinuteFold
from logger.core.soc import NO_STANDING, Band, Standing
from logger.core.tick import ChannelFold, Gap, GapRule
from logger.core.trips import TripFold
from tests.builders import tick, us

KEY, SPEED = "key.on", "road.speed_mps"


def fed(fold: TripFold, *seconds: tuple[int, dict[str, float]]) -> TripFold:
    """Feed seconds that end no trip."""
    for each in seconds:
        assert fold.add(tick(*each), NO_STANDING, NO_STANDING) == []
    return fold


def test_before_the_first_second_there_is_no_trip() -> None:
    assert TripFold(None).so_far() is None
    assert TripFold(KEY).so_far() is None


def test_what_a_trip_has_come_to_is_what_it_would_end_with() -> None:
    fold = fed(TripFold(KEY), (0, {KEY: 1.0, SPEED: 8.0}), (1, {SPEED: 9.0}))
    so_far = fold.so_far()
    assert so_far is not None
    assert (so_far.distance_m, so_far.end_us) == (17.0, us(1.5))
    assert fold.finish() == [so_far]


def test_asking_changes_nothing() -> None:
    fold = fed(TripFold(KEY), (0, {KEY: 1.0, SPEED: 8.0}))
    assert fold.so_far() == fold.so_far()
    fed(fold, (1, {SPEED: 9.0}))
    (trip,) = fold.finish()
    assert trip.distance_m == 17.0


def test_after_its_end_there_is_no_trip() -> None:
    fold = fed(TripFold(KEY), (0, {KEY: 1.0}))
    fold.add(tick(1, {KEY: 0.0}), NO_STANDING, NO_STANDING)
    assert fold.so_far() is None


def test_a_trip_so_far_knows_the_charge_by_now() -> None:
    fold = TripFold(None)
    now = Standing(Band(75.0, 70.0, 80.0), -5.0)
    fold.add(tick(0), Standing(Band(80.0, 75.0, 85.0), 0.0), now)
    trip = fold.so_far()
    assert trip is not None
    assert (trip.soc_start_pct, trip.soc_end_pct) == (80.0, 75.0)
    assert trip.soc_counted_change_pct == -5.0


def test_a_sensor_that_is_silent_by_now_is_skipped_time_of_the_trip_so_far() -> None:
    fold = TripFold(None)
    fold.add(tick(0, {SPEED: 8.0}), NO_STANDING, NO_STANDING)
    silent = Gap(SPEED, us(0.5), us(20.5))
    fold.add(tick(20, {KEY: 1.0}), NO_STANDING, NO_STANDING, [silent])
    trip = fold.so_far()
    assert trip is not None
    assert trip.skipped_us == us(20)


def test_a_trip_without_a_key_channel_is_certain() -> None:
    assert TripFold(None).is_certain


def test_a_trip_is_certain_once_its_key_was_heard() -> None:
    fold = fed(TripFold(KEY), (0, {SPEED: 8.0}))
    assert not fold.is_certain
    assert fed(fold, (1, {KEY: 1.0})).is_certain


@pytest.mark.parametrize(("now_s", "trips"), [(600.5, 0), (600.6, 1)])
def test_a_key_that_is_silent_for_ten_minutes_ends_the_trip_by_time_alone(
    now_s: float, trips: int
) -> None:
    # tick() puts the newest sample of the key at 0.5 s.
    fold = fed(TripFold(KEY), (0, {KEY: 1.0, SPEED: 8.0}))
    assert len(fold.pass_time(us(now_s))) == trips


def test_time_ends_no_trip_twice() -> None:
    fold = fed(TripFold(KEY), (0, {KEY: 1.0}))
    assert len(fold.pass_time(us(700))) == 1
    assert fold.pass_time(us(800)) == []
    assert fold.finish() == []


def test_time_ends_no_trip_without_a_key() -> None:
    assert fed(TripFold(None), (0, {SPEED: 8.0})).pass_time(us(10_000)) == []


def test_a_trip_ended_by_time_is_the_one_that_a_later_second_would_have_ended() -> None:
    seconds = ((0, {KEY: 1.0, SPEED: 8.0}), (1, {SPEED: 9.0}))
    by_time = fed(TripFold(KEY), *seconds).pass_time(us(700))
    later = tick(700, {SPEED: 8.0})
    by_tick = fed(TripFold(KEY), *seconds).add(later, NO_STANDING, NO_STANDING)
    assert by_time == by_tick


@pytest.mark.parametrize(("now_s", "minutes"), [(0, 0), (59, 0), (60, 1), (600, 1)])
def test_a_minute_is_over_when_its_time_is(now_s: int, minutes: int) -> None:
    fold = MinuteFold()
    fold.add(tick(3, {SPEED: 8.0}))
    ended = [fold.pass_time(now_s), fold.pass_time(now_s), fold.finish()]
    assert sum(each is not None for each in ended[:2]) == minutes
    assert sum(each is not None for each in ended) == 1


def beat_s(times_s: list[float], rule: GapRule) -> float:
    """Return the beat of a channel with samples at these times, s."""
    fold = ChannelFold(SPEED, rule, is_integrated=True)
    for t_s in times_s:
        fold.add(us(t_s), 1.0)
    return fold.period_us / 1e6


@pytest.mark.parametrize(("times_s", "period_s"), [
    ([], 0.0),
    ([3.0], 0.0),
    ([3.0, 3.0], 0.0),             # two at one time tell no beat
    ([3.0, 5.0], 2.0),
    ([0.0, 1.0, 11.0], 1.0),       # one hole is no slower beat
    ([0.0, 1.0, 11.0, 21.0], 10.0),
    ([0.0, 500.0], 60.0),          # slower beats have to be declared
])  # fmt: skip
def test_the_beat_is_the_shorter_of_the_last_two_intervals(
    times_s: list[float], period_s: float
) -> None:
    assert beat_s(times_s, GapRule()) == period_s


def test_a_declared_beat_is_the_beat() -> None:
    assert beat_s([0.0, 1.0, 2.0], GapRule(period_us=us(120))) == 120.0
