"""Where in time the trips of a log lie: enough to turn its pages without reading them.

Trips of recordings of which only a part was played count for nothing and are left out.
"""

from dataclasses import dataclass

from logger.store.reader import Log


@dataclass(frozen=True, slots=True)
class TripDate:
    """One trip.

    Attributes:
        date_us: Its start, microseconds since the Unix epoch.
        run: Number of its run.
        start_us: Its start, microseconds since the run's zero.
    """

    date_us: int
    run: int
    start_us: int


def trip_dates(log: Log) -> list[TripDate]:
    """Return when each dated trip began, in order."""
    rows = log.connection.execute(
        "SELECT run.start_us + trip.start_us AS date_us, run, trip.start_us"
        " FROM run CROSS JOIN trip ON trip.run = run.id"
        " WHERE run.start_us IS NOT NULL AND (recording IS NULL"
        " OR run.end_us IS NOT NULL) ORDER BY date_us, run"
    )
    return [TripDate(*row) for row in rows]


def runs_without_date(log: Log) -> list[int]:
    """Return the numbers of the runs that have trips and no date."""
    rows = log.connection.execute(
        "SELECT id FROM run WHERE start_us IS NULL AND (recording IS NULL"
        " OR end_us IS NOT NULL) AND id IN (SELECT run FROM trip) ORDER BY id"
    )
    return [int(row[0]) for row in rows]
