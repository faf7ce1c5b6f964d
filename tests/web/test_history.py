"""A page of the Log needs its own days only, and looks as if all had been read."""

import sqlite3
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard.history import one_trip, page_of_trips, start_of, units_of
from dashboard.logbook import DAYS_A_PAGE, TripRecord, log_page
from dashboard.wording import Units
from logger.store.reader import Log
from tests.year.making import DAY_US, FIRST_DAY_US, Plan, make
from tests.year.van import FEW_BOXES

DAYS = 50
PLAN = Plan(FEW_BOXES, drive_s=30, charge_s=30, prototypes=1)
UNITS = Units(ZoneInfo("Asia/Kolkata"), is_mile=True, van_name="Dunlin")
FIRST = date(2025, 1, 1)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fifty days with a drive each; one has no date, one is half a replay."""
    path = tmp_path_factory.mktemp("history") / "van.db"
    make(path, DAYS, PLAN)
    with closing(sqlite3.connect(path)) as log, log:
        log.execute("UPDATE run SET start_us = NULL WHERE id = 7")
        log.execute("UPDATE run SET recording = 'x', end_us = NULL WHERE id = 9")
        # The last one began before all others, and one day has two drives.
        log.execute("UPDATE run SET start_us = ? WHERE id = 50", (FIRST_DAY_US - 5,))
        log.execute(
            "UPDATE run SET start_us = ? WHERE id = 30",
            (FIRST_DAY_US + 30 * DAY_US + 7_200_000_000,),
        )
    return path


def every_trip(log: Log) -> list[TripRecord]:
    """Return all trips that count, in order of date."""
    return [
        TripRecord(run, place, trip)
        for run in log.runs()
        if not run.is_stopped_replay
        for place, trip in enumerate(log.trips(run.id))
    ]


@pytest.mark.parametrize("days", [None, 0, 1, 2, 14, 15, 16, 17, 30, 36, 49, 60])
def test_a_page_is_the_same_as_from_all_trips(path: Path, days: int | None) -> None:
    before = None if days is None else FIRST + timedelta(days=days)
    with Log(path) as log:
        found = page_of_trips(log, UNITS, before)
        assert log_page(found, UNITS, before) == log_page(
            every_trip(log), UNITS, before
        )
        # Its days, and as many and one on either side; one day has two drives.
        assert len(found) <= 2 * (DAYS_A_PAGE + 1) + 2


def test_one_trip_and_its_start_are_found_by_name(path: Path) -> None:
    with Log(path) as log:
        found = one_trip(log, 12, 0)
        assert found is not None
        assert (found.run.id, found.folio) == (12, "12.1")
        assert start_of(log, 12, 5) == FIRST_DAY_US + 11 * DAY_US + 5
        assert one_trip(log, 12, 1) is None
        assert one_trip(log, 99, 0) is None
        assert start_of(log, 99, 0) is None
        assert units_of(log, None).van_name == "Dunlin"
