"""The round of the invented van: smooth roads, and never a dull moment."""

from itertools import pairwise

import pytest

from replay.van_model.boxes import State, start_state, step
from replay.van_model.day import ROUND, ROUND_S, STARTS_S, Drives, Phase, moment
from replay.van_model.roads import HILLS, TOWN, Road

ROADS = pytest.mark.parametrize("road", [TOWN, HILLS], ids=["town", "hills"])


@ROADS
def test_a_drive_goes_from_standstill_to_standstill(road: Road) -> None:
    assert road.speed_mps(0.0) == 0.0
    assert road.speed_mps(road.duration_s) == 0.0
    assert road.way_m(road.duration_s) == pytest.approx(road.length_m)


@ROADS
def test_a_drive_takes_about_twelve_minutes(road: Road) -> None:
    assert 660.0 <= road.duration_s <= 840.0


@ROADS
def test_the_way_is_the_integral_of_the_speed(road: Road) -> None:
    dt_s = 0.05
    count = round(road.duration_s / dt_s)
    way_m = sum(road.speed_mps((n + 0.5) * dt_s) for n in range(count)) * dt_s
    assert way_m == pytest.approx(road.length_m, rel=1e-4)


@ROADS
def test_a_driver_never_asks_for_more_than_a_van_can_do(road: Road) -> None:
    dt_s = 0.1
    speeds = [road.speed_mps(n * dt_s) for n in range(round(road.duration_s / dt_s))]
    gains = [b - a for a, b in pairwise(speeds)]
    assert max(gains) / dt_s < 2.5
    assert min(gains) / dt_s > -3.0
    assert 0.0 <= min(speeds) <= max(speeds) < 25.0


@ROADS
def test_a_drive_ends_as_high_as_it_began(road: Road) -> None:
    dt_s, height_m, steepest = 0.05, 0.0, 0.0
    for n in range(round(road.duration_s / dt_s)):
        grade = road.grade_frac((n + 0.5) * dt_s)
        height_m += grade * road.speed_mps((n + 0.5) * dt_s) * dt_s
        steepest = max(steepest, abs(grade))
    assert height_m == pytest.approx(0.0, abs=0.1)
    assert 0.01 < steepest < 0.08


def test_the_round_goes_on_for_ever() -> None:
    before, after = moment(500.0), moment(500.0 + 7 * ROUND_S)
    assert before.target_speed_mps == pytest.approx(after.target_speed_mps)
    assert before.phase is after.phase is Phase.DRIVING


@pytest.mark.parametrize("number", range(len(ROUND)))
def test_each_leg_begins_when_the_one_before_it_ends(number: int) -> None:
    start_s = STARTS_S[number]
    assert moment(start_s).phase is ROUND[number].phase
    assert (
        moment(start_s + ROUND[number].duration_s - 0.01).phase is ROUND[number].phase
    )


def every_second() -> list[Drives]:
    """Return the moments of one round, a second apart."""
    return [moment(float(second)) for second in range(int(ROUND_S))]


def test_the_van_drives_only_when_it_is_ready_and_not_plugged_in() -> None:
    driven = [each for each in every_second() if each.target_speed_mps > 0.0]
    assert driven
    assert all(each.is_key_on and each.is_ready for each in driven)
    assert not any(each.is_plugged_in for each in driven)


def test_the_awnings_are_in_while_the_key_is_on() -> None:
    moments = every_second()
    assert not any(each.awning_out_frac for each in moments if each.is_key_on)
    assert any(each.awning_out_frac == 1.0 for each in moments)


def test_the_sun_stays_within_what_panels_are_rated_for() -> None:
    suns = [(each.left_sun_frac, each.right_sun_frac) for each in every_second()]
    assert min(map(min, suns)) > 0.1
    assert max(map(max, suns)) < 1.1


def test_something_changes_within_any_ten_seconds() -> None:
    state: State = start_state()
    powers = []
    while state.t_us < ROUND_S * 1e6:
        powers.append(state.powers.pack_w)
        state = step(state, 0.5)
    windows = [powers[n : n + 20] for n in range(len(powers) - 20)]
    assert min(max(each) - min(each) for each in windows) > 10.0
