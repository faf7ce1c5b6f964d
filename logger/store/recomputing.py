"""Derived tables again, run by run, after a corrected setting.

Where all frames of a run are kept they are played again, which is exact whatever was
corrected. Where all its seconds are, they are corrected and booked again, as far as a
correction can be told from seconds. What can be told from neither is left as it was.
Each run is rewritten in one transaction, in the writer's thread.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from logger.pipeline.correcting import UntoldError
from logger.store.connect import Connection, in_transaction
from logger.store.packed import DamagedRowError
from logger.store.planning import Plan, Source, plan
from logger.store.reader import Log, RunRow
from logger.store.rewriting import Rewriting, Tell
from logger.store.writer import Writer
from logger.van.reading import Van


@dataclass(frozen=True, slots=True)
class Sums:
    """What a run came to, in short; None for what was not measured."""

    distance_m: float | None
    used_wh: float | None
    end_pct: float | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one run.

    Attributes:
        run: The run as it was.
        changed: What was corrected, in words.
        source: What it was worked out from; None where it was left as it was.
        why_left: Why it was left, in words; empty otherwise.
        before: What it came to before.
        after: What it comes to now.
    """

    run: RunRow
    changed: tuple[str, ...]
    source: Source | None
    why_left: str
    before: Sums
    after: Sums


def in_order(runs: list[RunRow]) -> list[RunRow]:
    """Return runs in the order in which the count goes from one to the next.

    By date; but of live runs the one of the higher number is the later one, whatever a
    computer that woke up in the wrong year may say. Undated ones come last.
    """
    keys: dict[int, tuple[bool, int, int]] = {}
    newest_us = 0
    for run in sorted(runs, key=lambda each: each.id):
        date_us = run.start_us
        if date_us is not None and run.recording is None:
            date_us = newest_us = max(newest_us, date_us)
        keys[run.id] = (date_us is None, date_us or 0, run.id)
    return sorted(runs, key=lambda each: keys[each.id])


def recompute(writer: Writer, run: RunRow, van: Van | None, tell: Tell) -> Outcome:
    """Work one run out again.

    Args:
        writer: The only writer of the log; no run is under way.
        run: The run. Those before it are done already (see `in_order`).
        van: The corrected van; None to go by the run's own van file.
        tell: Called from the writer's thread as seconds are done.

    Raises:
        StoreError: The log cannot be written; the run is as it was.
    """
    with Log(writer.path) as log:
        planned = plan(log, run, van)
        before = after = sums(log, run)
    why_left = planned.why_left or _rewritten(writer, planned, tell)
    if not why_left:
        with Log(writer.path) as log:
            (now,) = (each for each in log.runs() if each.id == run.id)
            after = sums(log, now)
    source = None if why_left else planned.source
    return Outcome(run, planned.changed, source, why_left, before, after)


def _rewritten(writer: Writer, planned: Plan, tell: Tell) -> str:
    """Rewrite a run in the writer's thread; return why it was left, if it was."""
    why_left = ""

    def job(connection: Connection) -> Iterator[str]:
        with Log(writer.path) as log:
            rewriting = Rewriting(connection, log, planned, tell)
            try:
                in_transaction(connection, rewriting.rewrite)
            except UntoldError as err:
                yield str(err)
            except DamagedRowError as err:
                yield f"something of it is damaged: {err}"

    for told in writer.work(job):
        why_left = told
    return why_left


def sums(log: Log, run: RunRow) -> Sums:
    """Return what a run came to, in short."""
    way = log.totals(run.id).get("road.speed_mps")
    used = [trip.used_wh for trip in log.trips(run.id) if trip.used_wh is not None]
    return Sums(
        distance_m=None if way is None else way.integral,
        used_wh=sum(used) if used else None,
        end_pct=None if run.count is None else run.count.counted_pct,
    )
