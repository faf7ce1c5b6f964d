"""Makes a live run whole that lost its power: what its stored seconds come to.

Its end and its balance are stored before the next run begins; that takes no time. What
the pipeline had not given out yet (minute, quarter of an hour and trip under way) is
made from all of its seconds later, in portions that go between two batches.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from logger.core.ledger import is_booked
from logger.core.rollup import TICKS_PER_QUARTER, Minute, MinuteFold, QuarterFold
from logger.core.tick import US_PER_S, Tick
from logger.core.trips import KEY_CHANNELS, Trip
from logger.errors import ConfigError
from logger.pipeline.booking import Booking
from logger.pipeline.spec import REPORTED_SOC, Balance, BookingSpec, Output
from logger.store.carrying import carried_into
from logger.store.connect import Connection, in_transaction
from logger.store.reader import Log, RunRow
from logger.store.rows import Batch, Rows
from logger.store.whole import whole_ticks
from logger.van.binding import booking_spec
from logger.van.reading import read_settings

CUT_OFF = "cut off"
"""Kind of the event that marks a run whose last second was lost with the power."""

TICKS_A_STEP = 60
"""Read and booked at once: some 30 ms, on a small computer a tenth of a second."""

NOISE_PCT = 1e-5
"""The count in a stored second is rounded to a tenth of that."""


def make_whole(connection: Connection, path: Path, run: int) -> Iterator[str]:
    """Make a run whole that was cut off; yields between portions.

    Args:
        connection: Of the writer, in its thread.
        path: The log.
        run: Number of the run; its end is stored.
    """
    with Log(path) as log:
        for row in log.runs():
            if row.id == run:
                yield from _make_whole(connection, log, row)


def _make_whole(connection: Connection, log: Log, run: RunRow) -> Iterator[str]:
    outputs: list[Output] = []
    for rolled in _rolled(log, run):
        outputs += rolled
        yield ""
    spec = _spec(log, run)
    if spec is not None and run.balance_us is not None:
        booking = Booking(spec, carried_into(log, run))
        trips: list[Output] = []
        for number, tick in enumerate(whole_ticks(log, run.id), start=1):
            trips += _trips(booking.add(_accounts(tick)))
            if number % TICKS_A_STEP == 0:
                yield ""
        trips += _trips(booking.finish(run.balance_us))
        again = booking.balance(run.balance_us)
        if _agrees(log, run, again):
            outputs += [*trips, _balance(log, run, again)]
    batch = Batch(outputs)
    in_transaction(connection, lambda: Rows(connection).insert(run.id, batch))


def _rolled(log: Log, run: RunRow) -> Iterator[list[Output]]:
    """Yield the minutes and quarters of an hour behind the newest stored quarter."""
    (stored,) = log.connection.execute(
        "SELECT max(quarter) FROM quarter"
        " WHERE channel IN (SELECT id FROM channel) AND run = ?",
        (run.id,),
    ).fetchone()
    first = 0 if stored is None else (stored + 1) * TICKS_PER_QUARTER
    (shed_us,) = log.connection.execute(
        "SELECT max(until_us) FROM shed WHERE run = ? AND what = 'seconds'", (run.id,)
    ).fetchone()
    if shed_us is not None and shed_us >= first * US_PER_S:
        return  # what is left of its seconds would make half a minute of a whole one
    minutes, quarters = MinuteFold(), QuarterFold()
    for number, tick in enumerate(log.ticks(run.id, first), start=1):
        given = _given(minutes.add(tick), quarters)
        if given or number % TICKS_A_STEP == 0:
            yield given
    quarter_left = _given(minutes.finish(), quarters)
    quarter = quarters.finish()
    yield [*quarter_left, *([] if quarter is None else [quarter])]


def _given(minute: Minute | None, quarters: QuarterFold) -> list[Output]:
    if minute is None:
        return []
    quarter = quarters.add(minute)
    return [minute] if quarter is None else [quarter, minute]


def _spec(log: Log, run: RunRow) -> BookingSpec | None:
    """Return what booking has to know of a run's van; None for an earlier version."""
    try:
        return booking_spec(read_settings(log.van_text(run.id)))
    except ConfigError:
        return None


def _trips(outputs: list[Output]) -> list[Trip]:
    return [output for output in outputs if isinstance(output, Trip)]


def _accounts(tick: Tick) -> Tick:
    """Return a second with what trips and count ask for, which is a quarter of it."""
    asked = (*KEY_CHANNELS, REPORTED_SOC)
    cells = {
        name: cell
        for name, cell in tick.cells.items()
        if name in asked or is_booked(name)
    }
    return replace(tick, cells=cells)


def _agrees(log: Log, run: RunRow, again: Balance) -> bool:
    """Return whether a booking from the first second on leads to the same balance.

    Not where seconds were never stored, or the count began elsewhere: with another van
    file, or behind a run that has gone since.
    """
    times, now = (
        {name: (total.covered_us, total.skipped_us) for name, total in each.items()}
        for each in (log.totals(run.id), again.totals)
    )
    if times != now or (run.sigma_pct is None) != (again.sigma_pct is None):
        return False
    pct = None if run.count is None else run.count.counted_pct
    now_pct = again.count.counted_pct
    if pct is None or now_pct is None:
        return pct is now_pct
    return abs(pct - now_pct) <= NOISE_PCT


def _balance(log: Log, run: RunRow, again: Balance) -> Balance:
    (newest_entry,) = log.connection.execute(
        "SELECT newest_entry FROM balance WHERE run = ?", (run.id,)
    ).fetchone()
    return replace(
        again,
        trip=None,
        unmatched_frames=run.unmatched_frames,
        unmatched_lines=run.unmatched_lines,
        newest_entry=newest_entry,
    )
