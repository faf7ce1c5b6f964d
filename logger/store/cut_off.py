"""Makes a live run whole that lost its power: what its stored seconds come to.

Everything that the pipeline had not given out yet is made from the seconds: the minute
and the quarter of an hour under way, the trip under way, totals and count.
"""

from collections.abc import Iterator
from dataclasses import replace

from logger.core.ledger import is_booked
from logger.core.rollup import TICKS_PER_QUARTER, Minute, MinuteFold, QuarterFold
from logger.core.tick import Tick
from logger.core.trips import KEY_CHANNELS, Trip
from logger.errors import ConfigError
from logger.pipeline.booking import Booking
from logger.pipeline.spec import REPORTED_SOC, Output
from logger.store.carrying import balance_left, carried_into, left_at
from logger.store.reader import Log, RunRow
from logger.store.whole import whole_ticks
from logger.van.binding import booking_spec
from logger.van.reading import read_settings

CUT_OFF = "cut off"
"""Kind of the event that marks a run whose last second was lost with the power."""

MOST_SECONDS = 4 * 3600
"""A run of up to four hours in which something was heard is booked again from its first
second, before the next one begins; of a longer one the trip under way stays as it was
at the last balance, up to ten seconds short (`recompute` makes it whole)."""


def made_whole(log: Log, run: RunRow) -> list[Output]:
    """Return what is still to be stored of a run that was cut off.

    Args:
        log: The log.
        run: A live run without an end.
    """
    rolled = list(_rolled(log, run))
    balance = balance_left(log, run)
    if balance is None:
        return rolled
    booked = _booked(log, run)
    if booked is None:
        return [*rolled, balance]
    booking, trips, end_us = booked
    again = booking.balance(end_us)
    times = {name: (t.covered_us, t.skipped_us) for name, t in again.totals.items()}
    if times != {
        name: (t.covered_us, t.skipped_us) for name, t in balance.totals.items()
    }:
        return [*rolled, balance]  # not all of its seconds were stored
    whole = replace(
        balance, totals=again.totals, count=again.count, sigma_pct=again.sigma_pct
    )
    return [*rolled, *trips, whole]


def _rolled(log: Log, run: RunRow) -> Iterator[Output]:
    """Yield the minutes and quarters of an hour behind the newest stored quarter."""
    (stored,) = log.connection.execute(
        "SELECT max(quarter) FROM quarter"
        " WHERE channel IN (SELECT id FROM channel) AND run = ?",
        (run.id,),
    ).fetchone()
    first = 0 if stored is None else (stored + 1) * TICKS_PER_QUARTER
    minutes, quarters = MinuteFold(), QuarterFold()
    for tick in log.ticks(run.id, first):
        yield from _given(minutes.add(tick), quarters)
    yield from _given(minutes.finish(), quarters)
    quarter = quarters.finish()
    if quarter is not None:
        yield quarter


def _given(minute: Minute | None, quarters: QuarterFold) -> Iterator[Output]:
    if minute is not None:
        quarter = quarters.add(minute)
        if quarter is not None:
            yield quarter
        yield minute


def _booked(log: Log, run: RunRow) -> tuple[Booking, list[Output], int] | None:
    """Return a booking of all seconds of a run, its trips and its end."""
    if _seconds(log, run) > MOST_SECONDS:
        return None
    try:
        spec = booking_spec(read_settings(log.van_text(run.id)))
    except ConfigError:
        return None  # of an earlier version
    booking = Booking(spec, carried_into(log, run))
    outputs: list[Output] = []
    for tick in whole_ticks(log, run.id):
        outputs += booking.add(_accounts(tick))
    end_us, _ = left_at(log, run)
    outputs += booking.finish(end_us)
    return booking, [each for each in outputs if isinstance(each, Trip)], end_us


def _seconds(log: Log, run: RunRow) -> int:
    """Return how many seconds of a run are stored."""
    (count,) = log.connection.execute(
        "SELECT (SELECT count(*) FROM tick WHERE run = ?)"
        " + (SELECT coalesce(sum(n), 0) FROM span WHERE run = ?)",
        (run.id, run.id),
    ).fetchone()
    return int(count)


def _accounts(tick: Tick) -> Tick:
    """Return a second with what trips and count ask for, which is a quarter of it."""
    asked = (*KEY_CHANNELS, REPORTED_SOC)
    cells = {
        name: cell
        for name, cell in tick.cells.items()
        if name in asked or is_booked(name)
    }
    return replace(tick, cells=cells)
