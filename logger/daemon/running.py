"""One run of the logger, from opening the log to closing it."""

import logging
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.clock import Clock, boot_id
from logger.core.dating import Dating
from logger.daemon.book import Book
from logger.daemon.caring import Care, Copies
from logger.daemon.dates import Dates
from logger.daemon.past import Wall, left_behind
from logger.daemon.publishing import live_van
from logger.daemon.rounds import ROUND_S, Rounds, Wired
from logger.daemon.storing import Storing
from logger.desk import Desk
from logger.errors import CardError, StoreError
from logger.live import SnapshotFile
from logger.pipeline.chain import Pipeline
from logger.places import Files
from logger.sources.inbox import Inbox
from logger.sources.opening import supervisors
from logger.sources.supervisor import Supervisor
from logger.store.salvage import salvage
from logger.store.starting import PROGRAM, limits, live_start
from logger.store.waiting_wal import WaitingWal
from logger.store.writer import RunEnd
from logger.van.reading import Van

log = logging.getLogger(__name__)

END_S = 10.0
"""Real time that a clean stop may take for a slow card that takes everything; one that
takes nothing is given up after a second."""

TAKEN_OVER = "taken over"
"""Kind of an entry that no person made now: what was told in an earlier run holds."""


def run_logger(van: Van, files: Files, clock: Clock, stop: threading.Event) -> None:
    """Log until `stop` is set; what was taken in until then is stored.

    A card that cannot be read or written ends nothing: pages show what is heard, and
    the log goes on as soon as the card is back.

    Args:
        van: The van.
        files: Where things are written and read.
        clock: What all times are told by.
        stop: Set it to end; takes at most 2 s, or 10 s for a slow card.

    Raises:
        StoreError: The log is none that waiting could open, or not all was stored.
    """
    # Sources open while the log is being opened: the first seconds are not lost.
    inbox = Inbox(clock)
    wall = _wall(clock, inbox)
    sources = supervisors(van.settings, inbox, clock, van.spec.lines)
    snapshots = SnapshotFile(files.snapshot)
    for source in sources:
        source.start()
    book = Book(files.log, clock, limits(van), bring_over=salvage)
    try:
        begun = _begin(van, files.log, wall, book)
        for channel, value in begun.told.items():
            inbox.entry(0, TAKEN_OVER, "", channel, value)
        storing = Storing(book, begun.trouble)
        dates = Dates(clock, inbox, storing, begun.dating, wall.zero_uptime_us)
        wired = Wired(
            program=PROGRAM,
            van=live_van(van.settings),
            clock=clock,
            inbox=inbox,
            pipeline=begun.pipeline,
            storing=storing,
            dates=dates,
            snapshots=snapshots,
            desk=Desk(files.desk),
            wal=WaitingWal(files.log),
            statuses=lambda: [source.status() for source in sources],
        )
        rounds = Rounds(wired)
        care = Care(files.log, clock, copies(van, files.log), rounds.told)
        try:
            while not stop.wait(ROUND_S):
                rounds.go()
            _stop(sources)
            end_us, last = rounds.end()
        finally:
            # Only now: a second logger, refused by the lock, takes nothing away.
            snapshots.remove()
            care.stop()
            is_whole = storing.finish(END_S)
            trouble = "" if is_whole else storing.trouble or "a card that is slow"
        if trouble:
            raise StoreError(
                where=str(files.log),
                saw=trouble,
                fix="See that the disk has room; the last seconds were lost.",
            )
        book.end(RunEnd(end_us), last)
    finally:
        _stop(sources)
        book.close()


def copies(van: Van, path: Path) -> Copies:
    """Return which copies of a log its van file asks for."""
    keep = van.settings.keep
    folder = Path(keep.copy_folder) if keep.copy_folder else path.parent
    return Copies(keep.copies, folder)


def _wall(clock: Clock, inbox: Inbox) -> Wall:
    is_sure = clock.is_wall_sure()
    moment = clock.moment()
    zero_us = moment.wall_us - inbox.at_us(moment.mono_us)
    return Wall(zero_us, is_sure, clock.uptime_at_us(-inbox.at_us(0)))


@dataclass(frozen=True, slots=True)
class Begun:
    """A run that was begun, on the card or, for now, in memory only.

    Attributes:
        pipeline: What counts it, with the count that the run before left.
        dating: How far its date is known.
        told: What people told in earlier runs and still holds, by channel.
        trouble: Why it is not on the card yet, in words; empty where it is.
    """

    pipeline: Pipeline
    dating: Dating
    told: Mapping[str, float]
    trouble: str


def _begin(van: Van, path: Path, wall: Wall, book: Book) -> Begun:
    trouble = ""
    try:
        book.open()
    except CardError as err:
        log.error("%s", err)
        trouble = err.faults[0].saw
    boot, uptime_us = boot_id(), wall.zero_uptime_us
    past = left_behind(path, wall, boot, van.spec.told)
    dating = Dating(past.date, wall.zero_us, wall.is_sure)
    by = past.date.dated_by
    start = live_start(van, past.date.start_us, dating.is_sure, boot, uptime_us, by)
    try:
        book.begin(start)
        if dating.is_sure and not trouble:
            # Earlier runs of this start of the computer may have waited for it.
            book.store(past.date)
    except CardError as err:
        trouble = err.faults[0].saw
    pipeline = Pipeline(van.spec, past.carried, past.newest_entry)
    return Begun(pipeline, dating, past.told, trouble)


def _stop(sources: Sequence[Supervisor]) -> None:
    for source in sources:
        source.stop()
    for source in sources:
        source.join(0.5)
