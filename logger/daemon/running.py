"""One run of the logger, from opening the log to closing it."""

import threading
from collections.abc import Sequence

from logger.clock import Clock, boot_id, uptime_us
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
from logger.store.carrying import balance_left, carried_to_live_run, left_at
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.starting import PROGRAM, limits, live_start
from logger.store.writer import RunEnd, Writer
from logger.van.reading import Van

END_S = 1.0
"""Real time that a clean stop may take for the card."""

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
    start_us = clock.wall_us() - inbox.now_us()
    sources = supervisors(van.settings, inbox, clock)
    snapshots = SnapshotFile(files.snapshot)
    for source in sources:
        source.start()
    try:
        with Writer(files.log, clock=clock, limits=limits(van)) as writer:
            end_cut_off_runs(writer)
            run, pipeline = _begin(van, files, clock, inbox, start_us, writer)
            storing = Storing(writer, run)
            wired = Wired(
                program=PROGRAM,
                van=live_van(van.settings),
                run=run,
                clock=clock,
                inbox=inbox,
                pipeline=pipeline,
                storing=storing,
                snapshots=snapshots,
                desk=Desk(files.desk),
                statuses=lambda: [source.status() for source in sources],
            )
            rounds = Rounds(wired, clock.is_wall_sure())
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


def _begin(
    van: Van, files: Files, clock: Clock, inbox: Inbox, start_us: int, writer: Writer
) -> tuple[int, Pipeline]:
    with Log(files.log) as log:
        carried = carried_to_live_run(log, start_us)
        newest_entry = log.newest_entry()
    # A clock of its own speed has no place in the computer's uptime.
    zero_uptime_us = None if clock.is_own else uptime_us() - inbox.now_us()
    start = live_start(van, start_us, clock.is_wall_sure(), boot_id(), zero_uptime_us)
    run = writer.begin_run(start)
    return run, Pipeline(van.spec, carried, newest_entry)


def _stop(sources: Sequence[Supervisor]) -> None:
    for source in sources:
        source.stop()
    for source in sources:
        source.join(0.5)
