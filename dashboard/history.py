"""Edge: what the pages take from the log, and the units that its van is read in."""

import tomllib

from pydantic import ValidationError

from dashboard.logbook import LEAST_UNSEEN_US, TripRecord
from dashboard.wording import Units
from logger.live import Snapshot
from logger.store.reader import Log, RunRow
from logger.van.settings import VanSection


def all_trips(log: Log) -> list[TripRecord]:
    """Return every trip that counts, in order of date, undated ones last.

    Args:
        log: The log.
    """
    found: list[TripRecord] = []
    for run in log.runs():
        if not run.is_stopped_replay:
            found += _trips(log, run)
    dated = [each for each in found if each.start_us is not None]
    dated.sort(key=lambda each: each.start_us or 0)
    return dated + [each for each in found if each.start_us is None]


def one_trip(log: Log, run: int, start_us: int) -> TripRecord | None:
    """Return one trip; None where there is none of that name.

    Args:
        log: The log.
        run: Number of the run.
        start_us: Its start, microseconds since the run's zero.
    """
    for row in log.runs():
        if row.id == run:
            trips = _trips(log, row)
            return next((x for x in trips if x.trip.start_us == start_us), None)
    return None


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
    row = next((each for each in log.runs() if each.id == run), None)
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
    runs = [] if log is None else log.runs()
    if log is None or not runs:
        return Units.of(VanSection(name="Van"))
    text = log.van_text(run or max(each.id for each in runs))
    try:
        return Units.of(VanSection.model_validate(tomllib.loads(text).get("van", {})))
    except (ValueError, ValidationError, RecursionError):
        return Units.of(VanSection(name="Van"))
