"""Edge: what the pages take from the log, and the units that its van is read in."""

import tomllib
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from datetime import date

from pydantic import ValidationError

from dashboard.logbook import DAYS_A_PAGE, LEAST_UNSEEN_US, TripRecord
from dashboard.wording import Units
from logger.live import Snapshot
from logger.store.reader import Log, RunRow
from logger.store.trip_dates import TripDate, runs_without_date, trip_dates
from logger.van.settings import VanSection


def page_of_trips(
    log: Log, units: Units, before: date | None = None
) -> list[TripRecord]:
    """Return the trips of one page of the Log and of the days around it.

    In order of date, undated ones last; the latter only for the newest page. A log of
    many years is not read for it.

    Args:
        log: The log.
        units: Zone of the van.
        before: The page ends before this day; None for the newest.
    """
    dates = trip_dates(log)

    def day(found: TripDate) -> date:
        return units.day(found.date_us)

    end = len(dates) if before is None else bisect_left(dates, before, key=day)
    # One day more on either side tells whether there are other pages.
    earlier = _of_days(reversed(dates[:end]), day)
    later = _of_days(iter(dates[end:]), day)
    found = _records(log, [*reversed(earlier), *later])
    if not later:
        for number in runs_without_date(log):
            run = log.run(number)
            found += [] if run is None else _trips(log, run)
    return found


def _of_days(
    dates: Iterator[TripDate], day: Callable[[TripDate], date]
) -> list[TripDate]:
    """Return the first trips, as many as lie on a page's days and one more."""
    days: set[date] = set()
    found = []
    for each in dates:
        days.add(day(each))
        if len(days) > DAYS_A_PAGE + 1:
            break
        found.append(each)
    return found


def _records(log: Log, dates: Sequence[TripDate]) -> list[TripRecord]:
    """Return the trips that began at some dates, in that order."""
    found: dict[tuple[int, int], TripRecord] = {}
    for number in {each.run for each in dates}:
        run = log.run(number)
        for record in [] if run is None else _trips(log, run):
            found[number, record.trip.start_us] = record
    keys = [(each.run, each.start_us) for each in dates]
    return [found[key] for key in keys if key in found]


def one_trip(log: Log, run: int, start_us: int) -> TripRecord | None:
    """Return one trip; None where there is none of that name.

    Args:
        log: The log.
        run: Number of the run.
        start_us: Its start, microseconds since the run's zero.
    """
    row = log.run(run)
    trips = [] if row is None else _trips(log, row)
    return next((x for x in trips if x.trip.start_us == start_us), None)


def _trips(log: Log, run: RunRow) -> list[TripRecord]:
    trips = log.trips(run.id)
    is_whole = all(each.skipped_us < LEAST_UNSEEN_US for each in trips)
    gaps = () if is_whole else tuple(log.gaps(run.id))
    return [TripRecord(run, i, trip, gaps) for i, trip in enumerate(trips)]


def start_of(log: Log, run: int, start_us: int) -> int | None:
    """Return a time of a run as microseconds since the Unix epoch, or None.

    Args:
        log: The log.
        run: Number of the run.
        start_us: Microseconds since the run's zero.
    """
    row = log.run(run)
    return None if row is None else row.date_us(start_us)


def units_of(log: Log | None, snapshot: Snapshot | None, run: int = 0) -> Units:
    """Return the units of the van: of the logger that runs, or of a run.

    Args:
        log: The log, or None where there is none yet.
        snapshot: The newest snapshot, or None.
        run: The run whose van is meant; 0 for the newest.
    """
    if snapshot is not None:
        return Units.of(snapshot.van)
    newest = None if log is None else log.newest_run()
    if log is None or newest is None:
        return Units.of(VanSection(name="Van"))
    text = log.van_text(run or newest)
    try:
        return Units.of(VanSection.model_validate(tomllib.loads(text).get("van", {})))
    except (ValueError, ValidationError, RecursionError):
        return Units.of(VanSection(name="Van"))
