"""Accounts add up, stretch by stretch, and skipped time is booked as skipped."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.ledger import Tally, Total, is_booked, sum_hours
from logger.core.tick import Gap
from tests.builders import LAW, tick, us


@pytest.mark.parametrize(
    ("name", "booked"),
    [
        ("pack.current_a", True),
        ("sun.roof_left.power_w", True),
        ("charger.a.dc_power_w", True),
        ("pack.power_w", False),  # its two shares are booked instead
        ("pack.voltage_v", False),  # volt-seconds mean nothing
        ("key.on", False),
        ("no.such.channel", False),
    ],
)
def test_only_accounts_are_booked(name: str, booked: bool) -> None:
    assert is_booked(name) is booked


def test_an_account_adds_up_over_ticks() -> None:
    tally = Tally()
    tally.add(tick(0, {"pack.current_a": -30.0, "pack.voltage_v": 400.0}))
    tally.add(tick(1, {"pack.current_a": -12.0}))
    assert tally.totals == {"pack.current_a": Total(-42.0, us(2), 0)}


@LAW
@given(st.lists(st.floats(-1e6, 1e6), max_size=30), st.integers(0, 30))
def test_a_stretch_is_the_sum_of_its_parts(values: list[float], cut: int) -> None:
    whole, first, second = Tally(), Tally(), Tally()
    for index, value in enumerate(values):
        booked = tick(index, {"house.power_w": value})
        whole.add(booked)
        (first if index < cut else second).add(booked)
    none = Total()
    parts = [part.totals.get("house.power_w", none) for part in (first, second)]
    total = whole.totals.get("house.power_w", none)
    assert total.covered_us == sum(part.covered_us for part in parts)
    assert total.integral == pytest.approx(math.fsum(values), abs=1e-6)
    assert sum(p.integral for p in parts) == pytest.approx(total.integral, abs=1e-6)


def test_skipped_time_is_booked_on_its_account() -> None:
    tally = Tally()
    hole = Gap("pack.current_a", us(1), us(8))
    tally.add(tick(8, {"pack.current_a": 5.0}, hole))
    assert tally.totals["pack.current_a"].skipped_us == us(7)


def test_a_hole_in_what_is_no_account_is_not_booked() -> None:
    tally = Tally()
    hole = Gap("pack.voltage_v", us(1), us(8))
    tally.add(tick(8, {"pack.voltage_v": 400.0}, hole))
    assert tally.totals == {}


def test_watt_seconds_of_all_strings_are_summed_to_watt_hours() -> None:
    # 7200 Ws + 1800 Ws = 2.5 Wh; the charger is another account.
    totals = {
        "sun.roof.power_w": Total(7200.0),
        "sun.awning.power_w": Total(1800.0),
        "charger.a.dc_power_w": Total(3.6e6),
    }
    assert sum_hours(totals, "sun.<name>.power_w") == 2.5


def test_what_was_never_heard_is_none_and_not_0() -> None:
    assert sum_hours({"pack.current_a": Total(1.0)}, "sun.<name>.power_w") is None


def test_an_account_that_came_to_nothing_is_0() -> None:
    assert sum_hours({"sun.roof.power_w": Total(0.0)}, "sun.<name>.power_w") == 0.0


def test_a_total_of_no_known_channel_is_left_out() -> None:
    totals = {"sun.Roof.power_w": Total(7200.0)}  # names are lower case
    assert sum_hours(totals, "sun.<name>.power_w") is None


def test_a_tally_goes_on_from_what_was_booked_before() -> None:
    first, second = tick(0, {"pack.current_a": -9.0}), tick(1, {"pack.current_a": 4.0})
    whole, resumed = Tally(), Tally()
    whole.add(first)
    resumed.add(first)
    resumed = Tally.of(resumed.totals)
    whole.add(second)
    resumed.add(second)
    assert resumed.totals == whole.totals
    assert resumed.totals["pack.current_a"].integral == -5.0
