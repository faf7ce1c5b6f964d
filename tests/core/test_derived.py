"""What can be worked out for a van, from the channels that its boxes report."""

from dataclasses import replace

import pytest

from logger.core.derived import Derived, derive, told_from

PACK = {"pack.current_a", "pack.voltage_v"}


def results(fed: set[str], metres_per_motor_turn: float | None = None) -> list[str]:
    """Return the names of what is worked out, in order."""
    return [row.result for row in derive(fed, metres_per_motor_turn)]


@pytest.mark.parametrize(
    ("current", "voltage", "power"),
    [
        ("meter.current_a", "meter.voltage_v", "meter.power_w"),
        ("charger.b.dc_current_a", "charger.b.dc_voltage_v", "charger.b.dc_power_w"),
        ("charger.b.ac_current_a", "charger.b.ac_voltage_v", "charger.b.ac_power_w"),
        ("sun.roof.current_a", "sun.roof.voltage_v", "sun.roof.power_w"),
        ("controller.dc_current_a", "controller.dc_voltage_v", "motor.dc_power_w"),
        ("dcdc.input_current_a", "dcdc.input_voltage_v", "dcdc.input_power_w"),
        ("dcdc.output_current_a", "dcdc.output_voltage_v", "dcdc.output_power_w"),
        ("house.current_a", "pack.voltage_v", "house.power_w"),
    ],
)
def test_power_is_current_times_voltage_at_the_pace_of_the_current(
    current: str, voltage: str, power: str
) -> None:
    assert derive({current, voltage}, None) == [Derived(power, current, voltage)]


def test_pack_power_is_split_into_in_and_out() -> None:
    assert derive(PACK, None) == [
        Derived("pack.power_w", "pack.current_a", "pack.voltage_v"),
        Derived("pack.charging_power_w", "pack.power_w", None, 1.0, True),
        Derived("pack.discharging_power_w", "pack.power_w", None, -1.0, True),
    ]


def test_a_power_that_a_box_reports_is_not_worked_out() -> None:
    assert "pack.power_w" not in results({*PACK, "pack.power_w"})


def test_a_reported_power_is_still_split() -> None:
    assert results({"pack.power_w"}) == [
        "pack.charging_power_w",
        "pack.discharging_power_w",
    ]


def test_each_string_has_its_own_power() -> None:
    fed = {f"sun.{s}.{q}" for s in ("roof", "left") for q in ("current_a", "voltage_v")}
    assert set(results(fed)) == {"sun.roof.power_w", "sun.left.power_w"}


def test_the_voltage_of_another_string_does_not_do() -> None:
    assert results({"sun.roof.current_a", "sun.left.voltage_v"}) == []


def test_a_current_without_its_voltage_gives_no_power() -> None:
    assert results({"pack.current_a"}) == []


def test_road_speed_follows_from_the_motor_where_the_wheels_are_known() -> None:
    # 60 turns a minute of 0.25 m each are 0.25 m/s; standing or backing counts as 0.
    row = Derived("road.speed_mps", "motor.speed_rpm", None, 0.25 / 60, True)
    assert derive({"motor.speed_rpm"}, 0.25) == [row]


def test_a_measured_road_speed_is_not_worked_out() -> None:
    assert results({"motor.speed_rpm", "road.speed_mps"}, 0.25) == []


def test_without_wheels_there_is_no_road_speed() -> None:
    assert results({"motor.speed_rpm"}) == []


def test_from_what_is_no_channel_nothing_is_worked_out() -> None:
    assert results({"no.such.channel"}) == []


def test_what_a_log_may_tell_from_others_is_what_could_have_been_worked_out() -> None:
    strings = {
        f"sun.{s}.{q}" for s in ("roof", "left") for q in ("current_a", "voltage_v")
    }
    fed = PACK | strings | {"motor.speed_rpm", "sun.left.temperature_degc"}
    rows = derive(fed, 2.0)
    names = fed | {row.result for row in rows}
    told = {row.result: row for row in told_from(names)}
    assert told.keys() == {row.result for row in rows}
    for row in rows:
        if not row.is_scaled:
            assert told[row.result] == row
        else:
            assert replace(told[row.result], factor=row.factor) == row


def test_a_log_tells_nothing_from_what_it_lacks() -> None:
    assert told_from({"pack.power_w", "pack.voltage_v", "road.speed_mps"}) == []
