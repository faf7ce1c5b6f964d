"""What one trip came to: sums of accounts, and what was not measured."""

from dataclasses import replace

import pytest

from logger.core.ledger import Total
from logger.core.soc import NO_STANDING, Band, Standing
from logger.core.tick import Tick
from logger.core.trips import Trip, TripFold, skipped_us
from tests.builders import tick, us

START = Band(80.0, 75.0, 85.0)
END = Band(60.0, 52.0, 68.0)

# Ten kilometres: 2400 Wh out, 150 Wh in by regeneration.
DRIVE = Trip(
    start_us=0,
    end_us=us(600),
    skipped_us=0,
    distance_m=10_000.0,
    energy_out_wh=2400.0,
    energy_in_wh=150.0,
    charge_net_ah=-6.0,
    sun_wh=None,
    shore_wh=None,
    soc_start_pct=None,
    soc_end_pct=None,
    soc_low_end_pct=None,
    soc_high_end_pct=None,
    soc_counted_change_pct=None,
)


def whole(*ticks: Tick) -> Trip:
    """Return the one trip of ticks without a key."""
    fold = TripFold(None)
    for each in ticks:
        assert fold.add(each, NO_STANDING, NO_STANDING) == []
    (trip,) = fold.finish()
    return trip


def test_net_energy_is_out_less_in() -> None:
    assert DRIVE.energy_net_wh == 2250.0  # 2400 - 150


@pytest.mark.parametrize(
    ("sun_wh", "shore_wh", "used_wh"),
    [
        (None, None, 2250.0),
        (350.0, None, 2600.0),  # the sun's share was used too
        (350.0, 100.0, 2700.0),
    ],
)
def test_used_is_net_plus_sun_plus_shore(
    sun_wh: float | None, shore_wh: float | None, used_wh: float
) -> None:
    assert replace(DRIVE, sun_wh=sun_wh, shore_wh=shore_wh).used_wh == used_wh


def test_consumption_a_kilometre_is_used_over_distance() -> None:
    assert DRIVE.wh_per_km == 225.0  # 2250 Wh in 10 km


def test_consumption_a_mile_is_1_609344_times_that() -> None:
    # International mile 1609.344 m: 350 Wh/mi = 217.48 Wh/km.
    at_350 = replace(DRIVE, energy_out_wh=2174.8, energy_in_wh=0.0)
    assert at_350.wh_per_mi == pytest.approx(350.0, abs=0.005)


@pytest.mark.parametrize(
    "trip",
    [replace(DRIVE, energy_out_wh=None), replace(DRIVE, energy_in_wh=None)],
    ids=["no out", "no in"],
)
def test_half_an_account_gives_no_consumption(trip: Trip) -> None:
    assert (trip.energy_net_wh, trip.used_wh, trip.wh_per_mi) == (None, None, None)


@pytest.mark.parametrize("distance_m", [None, 0.0, 99.9])
def test_too_short_a_way_gives_no_consumption(distance_m: float | None) -> None:
    assert replace(DRIVE, distance_m=distance_m).wh_per_km is None


def test_a_duration_is_in_seconds() -> None:
    assert DRIVE.duration_s == 600.0


def test_without_a_key_everything_is_one_trip() -> None:
    trip = whole(
        tick(3, {"road.speed_mps": 10.0, "pack.discharging_power_w": 3600.0}),
        tick(4, {"road.speed_mps": 20.0, "pack.discharging_power_w": 7200.0}),
        tick(900, {"road.speed_mps": 5.0}),
    )
    # tick() puts the newest sample at the middle of the second.
    assert (trip.start_us, trip.end_us) == (us(3), us(900.5))
    assert (trip.distance_m, trip.energy_out_wh) == (35.0, 3.0)


def test_every_account_goes_to_its_field() -> None:
    trip = whole(
        tick(
            0,
            {
                "pack.charging_power_w": 3600.0 * 2,
                "pack.discharging_power_w": 3600.0 * 3,
                "pack.current_a": 3600.0 * -4,
                "sun.roof.power_w": 3600.0 * 5,
                "sun.left.power_w": 3600.0 * 6,
                "charger.a.dc_power_w": 3600.0 * 7,
            },
        )
    )
    assert (trip.energy_in_wh, trip.energy_out_wh) == (2.0, 3.0)
    assert (trip.charge_net_ah, trip.sun_wh, trip.shore_wh) == (-4.0, 11.0, 7.0)


def test_what_was_not_measured_is_none() -> None:
    trip = whole(tick(0, {"pack.voltage_v": 400.0}))
    assert trip == replace(
        DRIVE,
        end_us=us(0.5),
        distance_m=None,
        energy_out_wh=None,
        energy_in_wh=None,
        charge_net_ah=None,
    )


def test_a_trip_says_where_the_charge_began_and_ended() -> None:
    fold = TripFold(None)
    between = Standing(Band(79.0, 74.0, 84.0), -4.0)
    fold.add(tick(0), Standing(START, -3.0), between)
    fold.add(tick(1), between, Standing(END, -23.0))
    (trip,) = fold.finish()
    assert (trip.soc_start_pct, trip.soc_end_pct) == (80.0, 60.0)
    assert (trip.soc_low_end_pct, trip.soc_high_end_pct) == (52.0, 68.0)
    assert trip.soc_counted_change_pct == -20.0  # -23 less -3


def test_the_worse_of_charge_and_way_is_what_was_skipped() -> None:
    totals = {
        "pack.current_a": Total(skipped_us=us(7)),
        "road.speed_mps": Total(skipped_us=us(30)),
        "house.power_w": Total(skipped_us=us(99)),
    }
    assert skipped_us(totals) == us(30)


def test_nothing_heard_is_nothing_skipped() -> None:
    assert skipped_us({}) == 0
