"""What is exported of sums: the ledger and the sun by days, and the charges."""

import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from logger.core.tick import US_PER_S
from logger.pipeline.chain import Pipeline
from logger.store.export.choice import Choice
from logger.store.export.making import What
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import Writer
from tests.builders import rows, table_spec
from tests.edges.export_logs import always, date_us, exported, record, start

HOUR_S = 3600.0


def wave(t_s: float) -> float:
    """Return a power that is another one in every second."""
    return 300.0 + (t_s * 7.3) % 411.0


def amounts(path: Path, account: str, choice: Choice | None = None) -> dict[str, float]:
    """Return what an account came to, by day."""
    found = exported(path, What.LEDGER, choice or Choice())
    return {r["day"]: float(r["amount"]) for r in found if r["account"] == account}


def test_a_day_ends_at_midnight_in_the_van_s_own_zone(tmp_path: Path) -> None:
    # 03:30 to 04:30 UTC is 23:30 to 00:30 in New York (UTC-4 in June): 50 Wh each. The
    # run begins at no whole quarter of an hour, so that one lies over midnight.
    with Writer(tmp_path / "van.db") as writer:
        record(
            writer, "2026-06-22T03:33:00", HOUR_S * 0.9, {"house.power_w": always(100)}
        )
    days = amounts(tmp_path / "van.db", "house.power_w")
    assert days == pytest.approx({"2026-06-21": 45.0, "2026-06-22": 45.0}, abs=0.15)
    assert sum(days.values()) == pytest.approx(90.0)


def test_the_day_on_which_clocks_go_back_has_25_hours(tmp_path: Path) -> None:
    # 1 November 2026 in New York: from 04:00 UTC to 05:00 UTC on the 2nd.
    with Writer(tmp_path / "van.db") as writer:
        curves = {"house.power_w": always(100.0)}
        record(writer, "2026-11-01T03:00:00", 27 * HOUR_S, curves)
    days = amounts(tmp_path / "van.db", "house.power_w")
    assert days == pytest.approx(
        {"2026-10-31": 100.0, "2026-11-01": 2500.0, "2026-11-02": 100.0}, abs=0.2
    )


def test_the_sums_over_all_days_are_the_totals_of_the_runs(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    curves = {
        "sun.roof.power_w": wave,
        "pack.current_a": lambda t_s: -wave(t_s) / 40,
        "road.speed_mps": lambda t_s: wave(t_s) / 30 if t_s % 1000 < 700 else None,
    }
    with Writer(path) as writer:
        for date in ("2026-06-22T20:11:00", "2026-06-24T02:00:00", None):
            record(writer, date, 9.3 * HOUR_S, curves)
    with Log(path) as log:
        totals = [log.totals(run.id) for run in log.runs()]
    for account, divisor in (
        ("sun.roof.power_w", 3600),
        ("pack.current_a", 3600),
        ("road.speed_mps", 1),
    ):
        days = amounts(path, account)
        assert set(days) == {"2026-06-22", "2026-06-23", "2026-06-24", ""}
        integral = sum(each[account].integral for each in totals)
        assert sum(days.values()) == pytest.approx(integral / divisor, abs=1e-5)
    covered_s = sum(float(r["covered_s"]) for r in exported(path, What.LEDGER))
    counted_us = sum(t.covered_us for each in totals for t in each.values())
    assert covered_s == pytest.approx(counted_us / US_PER_S, abs=0.01)


def test_a_run_that_is_under_way_is_booked_to_its_newest_second(tmp_path: Path) -> None:
    # Half an hour and 17 minutes, 33 s: two quarters, two minutes and some seconds.
    path = tmp_path / "van.db"
    times = [5.0 * i for i in range(387)]
    pipeline = Pipeline(table_spec("house.power_w"))
    with Writer(path) as writer:
        run = writer.begin_run(start("2026-06-22T12:00:00"))
        outputs = pipeline.feed(rows(*((t_s, wave(t_s)) for t_s in times)))
        writer.store(run, Batch(outputs))
        with Log(path) as log:
            ticks = list(log.ticks(run))
        days = amounts(path, "house.power_w")
    booked = sum(tick.cells["house.power_w"].integral for tick in ticks)
    assert ticks[-1].index == 1925
    assert sum(days.values()) == pytest.approx(booked / 3600, abs=1e-6)


def test_ranges_that_meet_hold_everything_once(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        record(writer, "2026-06-22T12:04:00", 2 * HOUR_S, {"house.power_w": wave})
        record(writer, "2026-06-22T13:00:00", HOUR_S, {"house.power_w": wave})
    whole = sum(amounts(path, "house.power_w").values())
    # The second one lies within one quarter of an hour.
    cuts = ["12:00", "13:20", "13:24", "14:40"]
    parts = [None, *(date_us(f"2026-06-22T{each}:00") for each in cuts), None]
    sums = [
        sum(amounts(path, "house.power_w", Choice(None, first, last)).values())
        for first, last in pairwise(parts)
    ]
    assert sums[0] == sums[-1] == 0.0
    assert sums[2] == pytest.approx(2 * 500 * 4 / 60, rel=0.2)
    assert sum(sums) == pytest.approx(whole, abs=1e-4)


def test_runs_that_overlap_make_one_day_and_not_two(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        curves = {"house.power_w": always(60.0)}
        record(writer, "2026-06-22T12:00:00", 40 * HOUR_S, curves, 30.0)
        record(writer, "2026-06-23T01:00:00", HOUR_S, curves, 30.0)
    found = exported(path, What.LEDGER)
    assert [row["day"] for row in found] == ["2026-06-22", "2026-06-23", "2026-06-24"]


def test_what_is_not_accounted_for_is_shown_by_the_day(tmp_path: Path) -> None:
    # The roof gives 500 W, the pack takes 30 V times 10 A, the house 150 W: 50 W left.
    path = tmp_path / "van.db"
    curves = {
        "sun.roof.power_w": always(500.0),
        "pack.voltage_v": always(30.0),
        "pack.current_a": always(10.0),
        "house.power_w": always(150.0),
    }
    with Writer(path) as writer:
        record(writer, "2026-06-22T12:00:00", HOUR_S, curves)
    rest = exported(path, What.LEDGER)[-1]
    assert (rest["day"], rest["account"]) == ("2026-06-22", "not accounted for")
    assert float(rest["amount"]) == pytest.approx(50.0, abs=0.1)
    assert (rest["unit"], float(rest["covered_s"])) == ("Wh", 3600.0)


def test_sun_has_a_row_a_string_and_day(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    curves = {
        "sun.roof.power_w": lambda t_s: 400.0 if t_s < 1800 else 5.0,
        "sun.awning.power_w": always(60.0),
    }
    with Writer(path) as writer:
        record(writer, "2026-06-22T16:00:00", HOUR_S, curves)
    awning, roof = exported(path, What.SUN)
    assert (roof["day"], roof["string"]) == ("2026-06-22", "roof")
    # 400 W for half an hour, 5 W for another.
    assert float(roof["energy_wh"]) == pytest.approx(202.5, abs=0.6)
    assert (roof["peak_w"], roof["rated_w"]) == ("400.000", "620")
    assert float(roof["lit_s"]) == pytest.approx(1800, abs=60)
    assert roof["covered_s"] == "3600.000"
    # The van file does not describe this one.
    assert (awning["string"], awning["rated_w"]) == ("awning", "")


def test_charges_are_found_in_the_minutes(tmp_path: Path) -> None:
    path = tmp_path / "van.db"

    def power(t_s: float) -> float:
        return 1800.0 if 600 <= t_s < 4195 else 0.0

    curves = {
        "charger.a.dc_power_w": power,
        "charger.a.ac_power_w": lambda t_s: power(t_s) / 0.9,
        "pack.current_a": lambda t_s: power(t_s) / 60,
    }
    with Writer(path) as writer:
        record(writer, "2026-06-22T16:00:00", 5000.0, curves)
        record(writer, None, 1000.0, curves)
    dated, undated = exported(path, What.CHARGES)
    assert dated["start_utc"] == "2026-06-22T16:10:00.000Z"
    assert dated["end_utc"] == "2026-06-22T17:10:00.000Z"
    assert (dated["run"], dated["duration_s"]) == ("1", "3600.000")
    assert float(dated["energy_dc_wh"]) == pytest.approx(1800.0, abs=3)
    assert float(dated["energy_ac_wh"]) == pytest.approx(2000.0, abs=3)
    assert float(dated["efficiency_frac"]) == pytest.approx(0.9, abs=1e-4)
    assert float(dated["charge_net_ah"]) == pytest.approx(30.0, abs=0.05)
    # It was not over when the run was.
    assert (undated["run"], undated["start_utc"]) == ("2", "")
    assert undated["duration_s"] == "400.000"
    inside = Choice(None, date_us("2026-06-22T16:10:01"))
    assert exported(path, What.CHARGES, inside) == []
    begin = Choice(None, date_us("2026-06-22T16:10:00"), date_us("2026-06-22T16:11:00"))
    assert exported(path, What.CHARGES, begin) == [dated]


def test_minutes_that_are_gone_leave_the_quarters(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        curves = {"sun.roof.power_w": always(300.0)}
        record(writer, "2026-06-22T03:33:00", HOUR_S, curves)
    with closing(sqlite3.connect(path)) as log:
        log.execute("DELETE FROM minute WHERE minute < 37")
        log.commit()
    days = amounts(path, "sun.roof.power_w")
    assert sum(days.values()) == pytest.approx(300.0)
    assert sum(float(r["energy_wh"]) for r in exported(path, What.SUN)) == (
        pytest.approx(300.0)
    )
