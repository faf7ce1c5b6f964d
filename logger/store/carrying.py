"""What a run takes over from the one before it: the count, and what people told.

A run that was cut off by lost power is as good as its last stored second.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from logger.core.ledger import Tally
from logger.core.soc import Count, carry
from logger.core.tick import US_PER_S, Tick
from logger.pipeline.spec import Balance
from logger.store.reader import Log, RunRow
from logger.store.whole import whole_ticks

COUNTED = "pack.soc_counted_pct"

AWAY_UNKNOWN_S = 3600.0
"""What is taken for the time between two runs if the clock was set back between them
(design judgement): a power cut is mostly short, and the band says the rest."""

RUNS_BACK = 20
"""Live runs that are looked through for what a person told: each one begins with what
it took over, but some may have ended before a second of theirs was stored."""


def carried_count(
    log: Log, start_us: int | None, without: Collection[int] = ()
) -> Count | None:
    """Return the count as the newest run before a date left it, if there is one.

    Args:
        log: The log.
        start_us: Date of the run that begins, microseconds since the Unix epoch; None
            where it is not known.
        without: Runs that do not count, by number.
    """
    if start_us is None:
        return None
    left = [
        (run.start_us + end_us, run.id, count)
        for run in log.runs()
        if run.id not in without and not run.is_stopped_replay
        if run.start_us is not None
        for end_us, count in [left_at(log, run)]
        if count is not None and run.start_us + end_us <= start_us
    ]
    if not left:
        return None
    end_us, _, count = max(left, key=lambda each: each[:2])
    return carry(count, (start_us - end_us) / US_PER_S)


def carried_into(log: Log, run: RunRow) -> Count | None:
    """Return the count that a run of a log takes over, by all that is known by now.

    Args:
        log: The log.
        run: The run; it counts for nothing itself, nor do later live runs for a live
            one.
    """
    if run.recording is not None or run.start_us is None:
        return carried_count(log, run.start_us, {run.id})
    later = {
        other.id
        for other in log.runs()
        if other.recording is None and other.id >= run.id
    }
    return carried_to_live_run(log, run.start_us, later)


def carried_to_live_run(
    log: Log, start_us: int, without: Collection[int] = ()
) -> Count | None:
    """Return the count that a live run takes over.

    A computer without a clock battery may wake up with a date before its last one. The
    live run of the highest number was the last all the same; how long ago, nobody
    knows.

    Args:
        log: The log.
        start_us: Date of the run by the computer's clock, microseconds since the Unix
            epoch.
        without: Runs that do not count, by number.
    """
    live = [
        run for run in log.runs() if run.recording is None and run.id not in without
    ]
    for run in sorted(live, key=lambda run: run.id, reverse=True):
        end_us, count = left_at(log, run)
        if count is None or run.start_us is None:
            continue
        if run.start_us + end_us > start_us or not _is_dated_in_order(run, live):
            return carry(count, AWAY_UNKNOWN_S)
        break  # dates can be trusted; a recording played since may be the newer one
    return carried_count(log, start_us, without)


def _is_dated_in_order(run: RunRow, live: Sequence[RunRow]) -> bool:
    """Return whether no earlier live run has a later date: its own may be trusted."""
    dates = [each.start_us or 0 for each in live if each.id < run.id]
    return max(dates, default=0) <= (run.start_us or 0)


def left_at(log: Log, run: RunRow) -> tuple[int, Count | None]:
    """Return when a run was left, microseconds since its zero, and its count then."""
    if run.end_us is not None and run.balance_us == run.end_us:
        return run.end_us, run.count  # what it was closed with
    tick = log.last_tick(run.id)
    # The second that was under way at the balance may hold more than the balance does.
    if (
        tick is None
        or run.balance_us is None
        or tick.index < run.balance_us // US_PER_S
    ):
        balance_us = run.balance_us or 0
        last_us = balance_us if tick is None else max(balance_us, tick.last_us)
        return last_us if run.end_us is None else run.end_us, run.count
    # Cut off between two balances: the stored seconds tell the rest.
    last_us = max(tick.last_us, run.balance_us)
    end_us = last_us if run.end_us is None else run.end_us
    since_s = (last_us - run.balance_us) / US_PER_S
    return end_us, _caught_up(run.count, tick, since_s)


def _caught_up(count: Count | None, tick: Tick, since_s: float) -> Count | None:
    counted = tick.cells.get(COUNTED)
    if counted is None or count is None or count.counted_pct is None:
        return count
    moved_pct = counted.last - count.counted_pct
    return replace(
        count,
        counted_pct=counted.last,
        moved_pct=count.moved_pct + moved_pct,
        counted_s=count.counted_s + since_s,
    )


def balance_left(log: Log, run: RunRow) -> Balance | None:
    """Return the balance of a run that was cut off, by its stored seconds.

    What a stored balance does not cover yet is added from the ticks behind it.

    Returns:
        The balance; None where the run never had one.
    """
    if run.balance_us is None or run.count is None:
        return None
    end_us, count = left_at(log, run)
    first = run.balance_us // US_PER_S
    tally = Tally.of(log.totals(run.id))
    for tick in whole_ticks(log, run.id, first):
        tally.add(tick)
    return Balance(
        t_us=end_us,
        totals=tally.totals,
        count=count or run.count,
        sigma_pct=run.sigma_pct,
        refusals=(),
        unmatched_frames=run.unmatched_frames,
        unmatched_lines=run.unmatched_lines,
        newest_entry=log.newest_entry(),
    )


def told_before(log: Log, channels: Iterable[str]) -> dict[str, float]:
    """Return the newest values of channels that people tell, from the live runs.

    What a person told holds until it is told otherwise, across a restart too.

    Args:
        log: The log.
        channels: Their names.
    """
    live = sorted((run.id for run in log.runs() if run.recording is None), reverse=True)
    found: dict[str, float] = {}
    for name in channels:
        if log.number(name) is None:
            continue  # never heard in this log
        values = (_newest(log, run, name) for run in live[:RUNS_BACK])
        value = next((each for each in values if each is not None), None)
        if value is not None:
            found[name] = value
    return found


def _newest(log: Log, run: int, channel: str) -> float | None:
    value = None
    for _, cell in log.quarters(run, channel):
        value = cell.last
    # The seconds are newer than the last whole quarter, and may be gone before it.
    for _, cell in log.cells(run, channel):
        value = cell.last
    return value
