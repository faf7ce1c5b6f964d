"""One run of the logger, from opening the log to closing it."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger.clock import Clock, boot_id
from logger.core.dating import Dating
from logger.daemon.dates import Dates
from logger.daemon.publishing import live_van
from logger.daemon.rounds import ROUND_S, Rounds, Wired
from logger.daemon.storing import Storing
from logger.desk import Desk
from logger.errors import StoreError
from logger.live import SnapshotFile
from logger.pipeline.chain import Pipeline
from logger.places import Files
from logger.sources.inbox import Inbox
from logger.sources.opening import supervisors
from logger.sources.supervisor import Supervisor
from logger.store.carrying import (
    balance_left,
    carried_to_live_run,
    left_at,
    told_before,
)
from logger.store.dating import first_date
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.starting import PROGRAM, limits, live_start
from logger.store.waiting_wal import WaitingWal
from logger.store.writer import RunEnd, Writer
from logger.van.reading import Van

END_S = 1.0
"""Real time that a clean stop may take for the card."""

TAKEN_OVER = "taken over"
"""Kind of an entry that no person made now: what was told in an earlier run holds."""

CUT_OFF = "The logger ended without notice: power was lost, or it was killed."


def run_logger(van: Van, files: Files, clock: Clock, stop: threading.Event) -> None:
    """Log until `stop` is set; what was taken in until then is stored.

    Args:
        van: The van.
        files: Where things are written and read.
        clock: What all times are told by.
        stop: Set it to end; takes at most 2 s.

    Raises:
        StoreError: The log cannot be opened, or not all of it could be stored.
    """
    # Sources open while the log is being opened: the first seconds are not lost.
    inbox = Inbox(clock)
    wall = _wall(clock, inbox)
    sources = supervisors(van.settings, inbox, clock)
    snapshots = SnapshotFile(files.snapshot)
    for source in sources:
        source.start()
    try:
        with Writer(files.log, clock=clock, limits=limits(van)) as writer:
            end_cut_off_runs(writer)
            begun = _begin(van, files, wall, writer)
            for channel, value in begun.told.items():
                inbox.entry(0, TAKEN_OVER, "", channel, value)
            run, pipeline = begun.run, begun.pipeline
            storing = Storing(writer, run)
            dates = Dates(clock, inbox, storing, begun.dating, wall.zero_uptime_us)
            wired = Wired(
                program=PROGRAM,
                van=live_van(van.settings),
                run=run,
                clock=clock,
                inbox=inbox,
                pipeline=pipeline,
                storing=storing,
                dates=dates,
                snapshots=snapshots,
                desk=Desk(files.desk),
                wal=WaitingWal(files.log),
                statuses=lambda: [source.status() for source in sources],
            )
            rounds = Rounds(wired)
            try:
                while not stop.wait(ROUND_S):
                    rounds.go()
                _stop(sources)
                end_us, last = rounds.end()
            finally:
                # Only now: a second logger, refused by the lock, takes nothing away.
                snapshots.remove()
                is_whole = storing.finish(END_S)
                trouble = "" if is_whole else storing.trouble or "a card that is slow"
            if trouble:
                raise StoreError(
                    where=str(files.log),
                    saw=trouble,
                    fix="See that the disk has room; the last seconds were lost.",
                )
            writer.end_run(run, RunEnd(end_us), last)
    finally:
        _stop(sources)


def end_cut_off_runs(writer: Writer) -> None:
    """Mark live runs that were never ended; a writer is the only one of its log."""
    with Log(writer.path) as log:
        cut_off = [
            (run.id, left_at(log, run)[0], balance_left(log, run))
            for run in log.runs()
            if run.recording is None and run.end_us is None
        ]
    for run, end_us, balance in cut_off:
        event = Event(end_us, "cut off", CUT_OFF)
        last = Batch([] if balance is None else [balance], events=[event])
        writer.end_run(run, RunEnd(end_us), last)


@dataclass(frozen=True, slots=True)
class Wall:
    """What the computer's clock says of a run's zero.

    Attributes:
        zero_us: Its date, microseconds since the Unix epoch.
        is_sure: Whether something outside confirmed that clock.
        zero_uptime_us: Uptime of the computer, microseconds; None for an invented time,
            which has no place in it.
    """

    zero_us: int
    is_sure: bool
    zero_uptime_us: int | None


def _wall(clock: Clock, inbox: Inbox) -> Wall:
    is_sure = clock.is_wall_sure()
    moment = clock.moment()
    zero_us = moment.wall_us - inbox.at_us(moment.mono_us)
    return Wall(zero_us, is_sure, clock.uptime_at_us(-inbox.at_us(0)))


@dataclass(frozen=True, slots=True)
class Begun:
    """A run that was begun."""

    run: int
    pipeline: Pipeline
    dating: Dating
    told: Mapping[str, float]


def _begin(van: Van, files: Files, wall: Wall, writer: Writer) -> Begun:
    boot, uptime_us = boot_id(), wall.zero_uptime_us
    with Log(files.log) as log:
        date = first_date(log.runs(), wall.zero_us, wall.is_sure, boot, uptime_us)
        carried = carried_to_live_run(log, date.start_us)
        newest_entry = log.newest_entry()
        told = told_before(log, van.spec.told)
    dating = Dating(date, wall.zero_us, wall.is_sure)
    by = date.dated_by
    start = live_start(van, date.start_us, dating.is_sure, boot, uptime_us, by)
    run = writer.begin_run(start)
    if dating.is_sure:
        # Earlier runs of this start of the computer may have waited for it.
        writer.redate(run, date.start_us, by, 0)
    return Begun(run, Pipeline(van.spec, carried, newest_entry), dating, told)


def _stop(sources: Sequence[Supervisor]) -> None:
    for source in sources:
        source.stop()
    for source in sources:
        source.join(0.5)
