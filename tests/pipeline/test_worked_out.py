"""Channels that are worked out sample by sample from those that are heard."""

from dataclasses import replace

import pytest

from logger.core.tick import GapRule
from logger.pipeline.spec import Feed, PipelineSpec
from tests.builders import channel, rows, run, table_spec, us

POWER = table_spec("pack.current_a", "pack.voltage_v")


def test_power_is_current_times_voltage_of_the_same_row() -> None:
    outcome = run(POWER, rows((0, -50, 400), (1, 20, 410)))
    assert outcome.last("pack.power_w") == [-20_000.0, 8200.0]


def test_the_voltage_is_held_between_its_samples() -> None:
    outcome = run(POWER, rows((0, None, 400), (1, 10, None), (2, 20, None)))
    assert outcome.last("pack.power_w") == [4000.0, 8000.0]


def test_a_current_before_the_first_voltage_gives_no_power() -> None:
    outcome = run(POWER, rows((0, 10, None), (1, 10, 400)))
    assert outcome.counts("pack.power_w") == 1


def test_a_voltage_alone_gives_no_new_power() -> None:
    outcome = run(POWER, rows((0, 10, 400), (1, None, 500)))
    assert outcome.last("pack.power_w") == [4000.0]


@pytest.mark.parametrize(("t_s", "n"), [(5.0, 2), (5.1, 1)])
def test_a_held_voltage_that_is_too_old_gives_no_power(t_s: float, n: int) -> None:
    # Nothing is declared, so a voltage is good for 5 s.
    outcome = run(POWER, rows((0, 10, 400), (t_s, 10, None)))
    assert outcome.counts("pack.power_w") == n


def test_a_declared_gap_limit_says_when_a_voltage_is_too_old() -> None:
    feeds = (
        Feed(channel("pack.current_a"), 0),
        Feed(channel("pack.voltage_v"), 1, rule=GapRule(max_gap_us=us(60))),
    )
    spec = PipelineSpec(table_feeds={"trip": feeds})
    outcome = run(spec, rows((0, 10, 400), (59, 10, None)))
    assert outcome.last("pack.power_w") == [4000.0, 4000.0]


def test_power_has_the_gap_rule_of_its_current() -> None:
    # Rows a minute apart, declared as such: 4000 W x 60 s.
    rule = GapRule(period_us=us(60))
    feeds = tuple(
        Feed(channel(name), slot, rule=rule)
        for slot, name in enumerate(("pack.current_a", "pack.voltage_v"))
    )
    spec = PipelineSpec(table_feeds={"trip": feeds})
    outcome = run(spec, rows((0, 10, 400), (60, 10, 400)))
    assert outcome.integral("pack.charging_power_w") == 240_000.0


def test_a_power_that_a_box_reports_stands() -> None:
    spec = table_spec("pack.current_a", "pack.voltage_v", "pack.power_w")
    outcome = run(spec, rows((0, 10, 400, 3900)))
    assert outcome.last("pack.power_w") == [3900.0]


def test_in_and_out_are_split_before_they_are_summed() -> None:
    # From -1000 W to +1000 W in 2 s by three samples: in and out are half a rectangle
    # of 1000 W x 1 s each, though their sum is nothing.
    outcome = run(table_spec("pack.power_w"), rows((0, -1000), (1, 0), (2, 1000)))
    assert outcome.integral("pack.charging_power_w") == 500.0
    assert outcome.integral("pack.discharging_power_w") == 500.0


def test_house_power_takes_the_voltage_of_the_pack() -> None:
    spec = table_spec("house.current_a", "pack.voltage_v")
    assert run(spec, rows((0, 2, 400))).last("house.power_w") == [800.0]


def test_each_charger_has_its_own_power() -> None:
    spec = table_spec(
        "charger.a.dc_current_a",
        "charger.a.dc_voltage_v",
        "charger.b.dc_current_a",
        "charger.b.dc_voltage_v",
    )
    outcome = run(spec, rows((0, 10, 400, 5, 398)))
    assert outcome.last("charger.a.dc_power_w") == [4000.0]
    assert outcome.last("charger.b.dc_power_w") == [1990.0]


def test_the_way_follows_from_motor_turns() -> None:
    # 600 turns a minute of 0.25 m each: 2.5 m/s, for 4 s.
    spec = replace(table_spec("motor.speed_rpm"), metres_per_motor_turn=0.25)
    outcome = run(spec, rows(*((t_s, 600) for t_s in range(5))))
    assert outcome.integral("road.speed_mps") == pytest.approx(10.0)


def test_backing_up_is_no_way() -> None:
    spec = replace(table_spec("motor.speed_rpm"), metres_per_motor_turn=0.25)
    outcome = run(spec, rows((0, -600), (1, -600)))
    assert outcome.integral("road.speed_mps") == 0.0
