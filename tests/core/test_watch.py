"""What a reading's age does not show: boxes apart, and a value that stands still."""

from collections.abc import Iterable

import pytest

from logger.core.tick import Cell
from logger.core.watch import Watch
from tests.builders import us

VOLTS, METER_VOLTS = "pack.voltage_v", "meter.voltage_v"
CHARGE, METER_CHARGE = "pack.soc_pct", "meter.soc_pct"
AMPS, TURNS = "pack.current_a", "motor.speed_rpm"


def cell(value: float) -> Cell:
    """Return a second of one sample."""
    return Cell(1, value, value, value)


def watched(seconds: Iterable[tuple[float, dict[str, float]]]) -> Watch:
    """Return a watch that has seen these seconds: the time in s, and the values."""
    watch = Watch()
    for t_s, values in seconds:
        watch.see({name: cell(value) for name, value in values.items()}, us(t_s))
    return watch


def apart(*times_s: float) -> list[tuple[float, dict[str, float]]]:
    """Return seconds in which the two voltages are 10 % apart."""
    return [(t_s, {VOLTS: 400.0, METER_VOLTS: 360.0}) for t_s in times_s]


def test_nothing_seen_disagrees_with_nothing() -> None:
    assert Watch().disagrees_with(VOLTS) is None
    assert not Watch().is_frozen(AMPS)


@pytest.mark.parametrize(("last_s", "is_told"), [(9.9, False), (10.0, True)])
def test_two_boxes_disagree_once_they_are_apart_for_ten_seconds(
    last_s: float, is_told: bool
) -> None:
    watch = watched(apart(0, 5, last_s))
    assert watch.disagrees_with(VOLTS) == (METER_VOLTS if is_told else None)
    assert watch.disagrees_with(METER_VOLTS) == (VOLTS if is_told else None)


def test_a_channel_of_no_pair_disagrees_with_none() -> None:
    assert watched(apart(0, 20)).disagrees_with("road.speed_mps") is None


def test_one_second_of_agreement_begins_anew() -> None:
    agreed = (9.0, {VOLTS: 400.0, METER_VOLTS: 400.0})
    assert watched([*apart(0, 8), agreed, *apart(10, 19)]).disagrees_with(VOLTS) is None
    told = watched([*apart(0, 8), agreed, *apart(10, 20)]).disagrees_with(VOLTS)
    assert told == METER_VOLTS


def test_a_disagreement_ends_when_the_boxes_agree_again() -> None:
    agreed = (21.0, {VOLTS: 400.0, METER_VOLTS: 397.0})
    assert watched([*apart(0, 20), agreed]).disagrees_with(VOLTS) is None


def test_the_count_and_the_meter_are_a_pair_too() -> None:
    seconds = [(t_s, {CHARGE: 64.0, METER_CHARGE: 58.9}) for t_s in (0.0, 10.0)]
    assert watched(seconds).disagrees_with(CHARGE) == METER_CHARGE


def test_a_pair_that_agrees_hides_no_other_that_does_not() -> None:
    far = {VOLTS: 400.0, METER_VOLTS: 400.0, "controller.dc_voltage_v": 300.0}
    watch = watched([(0.0, far), (10.0, far)])
    assert watch.disagrees_with(VOLTS) == "controller.dc_voltage_v"
    assert watch.disagrees_with(METER_VOLTS) is None


def test_what_is_not_heard_in_one_second_is_not_compared() -> None:
    # The meter speaks in other seconds: nothing is known of how the two agree.
    seconds = [
        (float(t_s), {VOLTS: 400.0} if t_s % 2 else {METER_VOLTS: 300.0})
        for t_s in range(40)
    ]
    assert watched(seconds).disagrees_with(VOLTS) is None


@pytest.mark.parametrize(("alone_s", "is_told"), [(80.0, True), (81.0, False)])
def test_a_box_that_has_fallen_silent_disagrees_no_more_after_a_minute(
    alone_s: float, is_told: bool
) -> None:
    watch = watched([*apart(0, 20), (alone_s, {VOLTS: 400.0})])
    assert (watch.disagrees_with(VOLTS) is not None) is is_told


def test_after_a_long_silence_ten_seconds_count_anew() -> None:
    seconds = [*apart(0, 20), (100.0, {VOLTS: 400.0}), *apart(101)]
    assert watched(seconds).disagrees_with(VOLTS) is None


def standing(last_s: int, turns: float = 600.0) -> list[tuple[float, dict[str, float]]]:
    """Return seconds of one current while the motor goes up and down."""
    return [
        (float(t_s), {AMPS: 12.5, TURNS: turns * (t_s % 2)})
        for t_s in range(last_s + 1)
    ]


def test_a_value_that_repeats_itself_under_a_swinging_load_is_frozen() -> None:
    # A minute after the last look, at 1 s, by which the motor had not swung yet.
    assert not watched(standing(60)).is_frozen(AMPS)
    assert watched(standing(61)).is_frozen(AMPS)


def test_only_the_follower_is_frozen() -> None:
    assert not watched(standing(90)).is_frozen(TURNS)


def test_a_value_may_stand_still_while_nothing_happens() -> None:
    assert not watched(standing(300, turns=400.0)).is_frozen(AMPS)


def test_a_value_may_stand_still_where_its_leader_is_not_heard() -> None:
    seconds = [(float(t_s), {AMPS: 12.5}) for t_s in range(200)]
    assert not watched(seconds).is_frozen(AMPS)


def test_a_parked_van_that_pulls_away_freezes_nothing() -> None:
    # Ten minutes at rest; then the motor turns, and the current of that second was
    # sampled just before.
    parked = [(float(t_s), {AMPS: 0.0, TURNS: 0.0}) for t_s in range(600)]
    assert not watched([*parked, (600.0, {AMPS: 0.0, TURNS: 900.0})]).is_frozen(AMPS)


def test_a_leader_that_wakes_up_swinging_freezes_nothing_at_once() -> None:
    watch = watched((float(t_s), {AMPS: 0.0}) for t_s in range(600))
    watch.see({AMPS: cell(0.0), TURNS: Cell(10, 0.0, 900.0, 900.0)}, us(600))
    assert not watch.is_frozen(AMPS)


def test_one_other_value_thaws_it() -> None:
    watch = watched([*standing(90), (91.0, {AMPS: 12.6, TURNS: 0.0})])
    assert not watch.is_frozen(AMPS)


def test_a_value_that_moves_within_its_second_is_not_frozen() -> None:
    watch = watched(standing(90))
    watch.see({AMPS: Cell(3, 12.4, 12.6, 12.5)}, us(91))
    assert not watch.is_frozen(AMPS)


def test_what_happens_while_a_value_is_silent_proves_nothing() -> None:
    # The motor swings only in seconds in which no current is heard.
    seconds = [
        (float(t_s), {TURNS: 900.0} if t_s % 2 else {AMPS: 12.5, TURNS: 0.0})
        for t_s in range(200)
    ]
    assert not watched(seconds).is_frozen(AMPS)


def test_one_leader_that_swings_is_enough() -> None:
    seconds = [
        (float(t_s), {AMPS: 12.5, TURNS: 0.0, "road.speed_mps": 6.0 * (t_s % 2)})
        for t_s in range(90)
    ]
    assert watched(seconds).is_frozen(AMPS)
