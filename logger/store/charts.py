"""One channel over any stretch of dates, thinned so that every spike survives.

Looks at all dated runs that reach into the stretch. Seconds are read for up to two
hours, minutes while a bucket is shorter than a quarter of an hour, else quarters: so
a year costs no more in a log of ten. What of a run under way is in no quarter or
minute yet comes from finer rows.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from logger.core.rollup import TICKS_PER_MINUTE, TICKS_PER_QUARTER
from logger.core.tick import US_PER_S
from logger.store.bucketing import Buckets, Envelope, Found, Sum, reach
from logger.store.reader import Log

MINUTE_US = TICKS_PER_MINUTE * US_PER_S
QUARTER_US = TICKS_PER_QUARTER * US_PER_S

MOST_POINTS = 2000
"""More than any screen has pixels across."""

LONG_US = 2 * 3600 * US_PER_S
"""A stretch longer than this is drawn from minutes."""

TAIL_S = 60
"""No beat slower than this is learned: so far an interval may reach back."""

_OF_RUNS = (
    " FROM run INDEXED BY run_by_date"
    " WHERE start_us < :until AND (end_us IS NULL OR start_us + end_us >= :since)"
    " AND (recording IS NULL OR end_us IS NOT NULL)"
)
_RUNS = f"SELECT id, start_us, end_us{_OF_RUNS} ORDER BY start_us, id"

_COARSEST = (
    "SELECT max(CASE what WHEN 'minutes' THEN :quarter WHEN 'seconds' THEN :minute"  # noqa: S608
    f" END) FROM shed JOIN (SELECT id, start_us{_OF_RUNS}) AS run"
    " ON run.id = shed.run WHERE start_us + until_us > :since"
)

_QUARTERS = (
    "SELECT (start_us + quarter * :unit - :since) / :step AS bucket, min(min),"  # noqa: S608
    " max(max), total(mean * covered_s), total(covered_s), max(covered_s),"
    " max(start_us + quarter * :unit)"
    f" FROM (SELECT id, start_us{_OF_RUNS}) AS run"
    " CROSS JOIN quarter ON channel = :channel AND run = run.id"
    " AND quarter >= (:since - start_us + :unit - 1) / :unit"
    " AND quarter < (:until - start_us + :unit - 1) / :unit"
    " WHERE start_us + quarter * :unit >= :since"
    " AND start_us + quarter * :unit < :until GROUP BY bucket"
)

_NEWEST_VALUES = (
    "SELECT (start_us + quarter * :unit - :since) / :step AS bucket, last,"  # noqa: S608
    " max(start_us + quarter * :unit)"
    f" FROM (SELECT id, start_us{_OF_RUNS}) AS run"
    " CROSS JOIN quarter ON channel = :channel AND run = run.id"
    " WHERE start_us + quarter * :unit >= :since"
    " AND start_us + quarter * :unit < :until GROUP BY bucket"
)


@dataclass(frozen=True, slots=True)
class _Run:
    """A run that reaches into the stretch; end None while it is under way."""

    id: int
    start_us: int
    end_us: int | None


def envelope(log: Log, channel: str, from_us: int, to_us: int, points: int) -> Envelope:
    """Return lowest, mean and highest value a bucket, None where nothing was heard.

    Runs may overlap; those without a date are left out, and so are recordings of which
    only a part was played.

    Args:
        log: The log.
        channel: Name of the channel.
        from_us: Start, microseconds since the Unix epoch.
        to_us: End, above `from_us`.
        points: At most so many buckets, 1 to MOST_POINTS.
    """
    stretch = {"since": from_us, "until": to_us}
    (coarsest_us,) = log.connection.execute(
        _COARSEST, {**stretch, "minute": MINUTE_US, "quarter": QUARTER_US}
    ).fetchone()
    unit_us = max(_unit_us(from_us, to_us, points), coarsest_us or 0)
    buckets = Buckets(from_us, to_us, max(unit_us, -((from_us - to_us) // points)))
    number = log.number(channel)
    if number is None:
        return buckets.envelope()
    runs = [_Run(*row) for row in log.connection.execute(_RUNS, stretch)]
    if unit_us == QUARTER_US:
        _add_quarters(log, number, buckets)
        runs = [run for run in runs if run.end_us is None]
    for run in runs:
        for found in _rows(log, run, channel, unit_us, buckets):
            buckets.add(found)
    return buckets.envelope()


def _unit_us(from_us: int, to_us: int, points: int) -> int:
    """Return how long the rows are that a stretch is drawn from."""
    if to_us - from_us <= LONG_US:
        return US_PER_S
    return MINUTE_US if (to_us - from_us) // points < QUARTER_US else QUARTER_US


def _add_quarters(log: Log, number: int, buckets: Buckets) -> None:
    """Add all quarters at once, summed where they lie."""
    values = {
        "since": buckets.from_us,
        "until": buckets.to_us,
        "step": buckets.step_us,
        "unit": QUARTER_US,
        "channel": number,
    }
    rows = log.connection.execute(_QUARTERS, values).fetchall()
    lasts: dict[int, float] = {}
    if not all(covered_s for _, _, _, _, covered_s, _, _ in rows):
        # Codes are not averaged: the newest one stands.
        newest = log.connection.execute(_NEWEST_VALUES, values)
        lasts = {bucket: last for bucket, last, _ in newest}
    for bucket, low, high, integral, covered_s, longest_s, newest_us in rows:
        reach_us = newest_us - reach(longest_s, QUARTER_US)
        last = lasts.get(bucket, 0.0)
        buckets.put(
            bucket, Sum(low, high, integral, covered_s, last, newest_us, reach_us)
        )


def _rows(
    log: Log, run: _Run, channel: str, unit_us: int, buckets: Buckets
) -> Iterator[Found]:
    """Yield the rows of a run, and finer ones behind those of a run under way."""
    since_us = max(0, buckets.from_us - run.start_us)
    until_us = buckets.to_us - run.start_us
    if unit_us == QUARTER_US:  # summed already: what lies behind them is left
        since_us = max(since_us, _end_of_quarters(log, run))
    if unit_us >= MINUTE_US:
        places = _places(since_us, until_us, MINUTE_US)
        for index, cell in log.minutes(run.id, channel, *places):
            yield Found(run.start_us + index * MINUTE_US, MINUTE_US, cell)
        if run.end_us is not None:
            return
        since_us = max(since_us, _end_of_minutes(log, run))
    first, last = _places(since_us, until_us, US_PER_S)
    for index, cell in log.cells(run.id, channel, first, last + TAIL_S):
        yield Found(run.start_us + index * US_PER_S, US_PER_S, cell)


def _places(since_us: int, until_us: int, unit_us: int) -> tuple[int, int]:
    """Return the first and last row that begins within a stretch of a run."""
    return -(-since_us // unit_us), -(-until_us // unit_us) - 1


def _end_of_quarters(log: Log, run: _Run) -> int:
    (newest,) = log.connection.execute(
        "SELECT max(quarter) FROM channel CROSS JOIN quarter"
        " ON quarter.channel = channel.id AND run = ?",
        (run.id,),
    ).fetchone()
    return 0 if newest is None else (int(newest) + 1) * QUARTER_US


def _end_of_minutes(log: Log, run: _Run) -> int:
    (newest,) = log.connection.execute(
        "SELECT max(minute) FROM minute WHERE run = ?", (run.id,)
    ).fetchone()
    return 0 if newest is None else (int(newest) + 1) * MINUTE_US
