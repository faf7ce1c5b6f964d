"""What a corrected setting makes of a stored second."""

import pytest

from logger.core.derived import Derived, derive
from logger.core.tick import Cell, Tick
from logger.pipeline.correcting import SAME, Correction, Gain, UntoldError, correction

CURRENT, VOLTAGE, POWER = "pack.current_a", "pack.voltage_v", "pack.power_w"
IN, OUT = "pack.charging_power_w", "pack.discharging_power_w"
RPM, SPEED = "motor.speed_rpm", "road.speed_mps"
ROWS = derive({CURRENT, VOLTAGE, RPM}, 0.2)
SECOND = Tick(7, 7_000_000, 7_900_000, {
    CURRENT: Cell(2, -50.0, 10.0, 10.0, -20.0, 1_000_000),
    VOLTAGE: Cell(1, 400.0, 400.0, 400.0, 400.0, 1_000_000),
    POWER: Cell(2, -20_000.0, 4_000.0, 4_000.0, -8_000.0, 1_000_000),
    IN: Cell(2, 0.0, 4_000.0, 4_000.0, 2_000.0, 1_000_000),
    OUT: Cell(2, 0.0, 20_000.0, 0.0, 10_000.0, 1_000_000),
    "pack.soc_pct": Cell(1, 50.0, 50.0, 50.0),
})  # fmt: skip


def corrected(**gains: Gain) -> Tick:
    """Return the second after some gains; `__` stands for the dot."""
    fed = {name.replace("__", "."): gain for name, gain in gains.items()}
    return correction(fed, ROWS, ROWS).of(SECOND)


def test_without_a_correction_only_the_count_goes() -> None:
    same = correction({}, ROWS, ROWS)
    assert same == Correction()
    cells = {name: SECOND.cells[name] for name in (CURRENT, VOLTAGE, POWER, IN, OUT)}
    assert same.of(SECOND).cells == cells


def test_another_sign_swaps_what_went_in_and_what_came_out() -> None:
    cells = corrected(pack__current_a=Gain(-1.0)).cells
    assert cells[CURRENT] == Cell(2, -10.0, 50.0, -10.0, 20.0, 1_000_000)
    assert cells[POWER] == Cell(2, -4_000.0, 20_000.0, -4_000.0, 8_000.0, 1_000_000)
    assert (cells[IN], cells[OUT]) == (SECOND.cells[OUT], SECOND.cells[IN])
    assert cells[VOLTAGE] == SECOND.cells[VOLTAGE]


def test_another_factor_of_the_current_goes_on_to_the_power() -> None:
    cells = corrected(pack__current_a=Gain(1.5), pack__voltage_v=Gain(2.0)).cells
    # By hand: three times the power.
    assert cells[OUT] == Cell(2, 0.0, 60_000.0, 0.0, 30_000.0, 1_000_000)


def test_an_offset_holds_for_the_time_that_was_covered() -> None:
    fed = {"coolant.temperature_degc": Gain(1.0, -2.0)}
    cell = Cell(2, 20.0, 30.0, 30.0, 12.5, 500_000)
    tick = Tick(0, 0, 1, {"coolant.temperature_degc": cell})
    # By hand: 12.5 - 2 x 0.5 s.
    assert correction(fed, ROWS, ROWS).of(tick).cells == {
        "coolant.temperature_degc": Cell(2, 18.0, 28.0, 28.0, 11.5, 500_000)
    }


def test_other_wheels_change_the_way_alone() -> None:
    wheels = correction({}, ROWS, derive({CURRENT, VOLTAGE, RPM}, 0.4))
    speed = Cell(1, 0.5, 0.5, 0.5, 0.5, 1_000_000)
    tick = Tick(0, 0, 1, {SPEED: speed, RPM: Cell(1, 150.0, 150.0, 150.0)})
    cells = wheels.of(tick).cells
    assert cells[SPEED].last == pytest.approx(1.0, rel=1e-14)
    assert cells[RPM] == tick.cells[RPM]


@pytest.mark.parametrize(("fed", "after", "why"), [
    ({CURRENT: Gain(1.0, 0.5)}, ROWS, "offset of what pack.power_w"),
    ({RPM: Gain(-1.0)}, ROWS, "road.speed_mps was cut off at 0"),
    ({}, ROWS[:-1], "other channels are worked out"),
    ({}, [*ROWS[:-1], Derived(SPEED, RPM, None, 1.0, True)], "other channels"),
])  # fmt: skip
def test_what_seconds_cannot_tell_is_said(
    fed: dict[str, Gain], after: list[Derived], why: str
) -> None:
    with pytest.raises(UntoldError, match=why):
        correction(fed, ROWS, after)


def test_a_value_that_would_have_been_refused_is_no_correction() -> None:
    with pytest.raises(UntoldError, match="refused as implausible"):
        corrected(pack__voltage_v=Gain(-1.0))


def test_nothing_changes_by_a_factor_of_one() -> None:
    assert SAME.of(SECOND.cells[CURRENT]) == SECOND.cells[CURRENT]
