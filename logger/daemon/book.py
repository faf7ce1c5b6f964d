"""The log as the daemon has it: opened when it can be, set aside when it is damaged.

All calls come from one thread at a time. What goes on in a new file is the same run:
its zero and its identity stay, so that what is salvaged from the old file joins it.
"""

import logging
import os
import sqlite3
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from logger.clock import Clock
from logger.core.dating import Dated
from logger.errors import CardError, DamageError, StoreError
from logger.store.aside import is_ours, mark_done, set_aside, waiting
from logger.store.carrying import balance_left, left_at
from logger.store.connect import (
    Connect,
    Connection,
    as_store_error,
    connect_for_writing,
)
from logger.store.cut_off import CUT_OFF, make_whole
from logger.store.identity import run_uid
from logger.store.keeping import Limits
from logger.store.packed import DamagedRowError
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.writer import RunEnd, RunStart, Writer

log = logging.getLogger(__name__)

BringOver = Callable[[Path, Connection], Iterator[str]]

WITHOUT_NOTICE = "The logger ended without notice: power was lost, or it was killed."
FULL = "full"
"""A word in what SQLite says of a card without room."""

FIX = "See that the card is there and sound."


@dataclass(slots=True)
class Book:
    """One run in one log, whichever file that is by now.

    Args:
        path: The log.
        clock: Dates what is set aside, and the changes of the tables.
        limits: What the log keeps.
        connect: How the log is opened.
        bring_over: Brings what can be read of a damaged log into an open one, step by
            step; None leaves it aside.

    Attributes:
        run: Number of the run in the log that is open; 0 while none is.
        notice: What a person has to know of the log, in words; empty for nothing.
    """

    path: Path
    clock: Clock
    limits: Limits | None = None
    connect: Connect = connect_for_writing
    bring_over: BringOver | None = None
    run: int = 0
    notice: str = ""
    _writer: Writer | None = None
    _start: RunStart | None = None
    _has_let_go: bool = False
    _salvage: tuple[Path, Iterator[str]] | None = None
    _unwhole: list[int] = field(default_factory=list)
    _wholes: Iterator[str] | None = None
    _events: list[Event] = field(default_factory=list)

    def open(self) -> None:
        """Open the log; one that is damaged is set aside, and a new one made.

        Raises:
            CardError: The card does not let it be opened for now.
            StoreError: It cannot be used, however long one waits.
        """
        if self._writer is not None:
            return
        if self._has_let_go:
            self._see_that_it_is_there()
        try:
            self._open()
        except DamageError as err:
            if not is_ours(self.path):
                raise
            self._put_aside(err.faults[0].saw, 0)
            self._open()

    def _see_that_it_is_there(self) -> None:
        """Refuse to make a new log where the old one is only not there for now."""
        try:
            os.close(os.open(self.path, os.O_RDWR))
        except OSError as err:
            raise CardError(
                where=str(self.path),
                saw=(err.strerror or str(err)).lower(),
                fix=FIX,
            ) from err

    def _open(self) -> None:
        writer = Writer(self.path, self.connect, self.clock, self.limits)
        try:
            self._unwhole += end_cut_off_runs(writer, self._start)
        except (sqlite3.Error, DamagedRowError) as err:
            writer.abandon()
            raise as_store_error(self.path, err, FIX) from err
        except BaseException:
            writer.abandon()
            raise
        self._writer = writer
        self._has_let_go = False

    def begin(self, start: RunStart) -> None:
        """Begin the run in the log that is open, or as soon as one is.

        Raises:
            StoreError: It could not be stored.
        """
        self._start = replace(start, uid=start.uid or run_uid(None))
        if self._writer is not None:
            self._begin(self._writer)

    def _begin(self, writer: Writer) -> None:
        assert self._start is not None
        with Log(self.path) as found:
            own = [run.id for run in found.runs() if run.uid == self._start.uid]
        # A card that was put in again has the run already.
        self.run = own[-1] if own else writer.begin_run(self._start)
        for event in self._events:
            writer.store(self.run, Batch(events=[event]))
        self._events.clear()

    def _ready(self) -> Writer:
        """Return the writer of the log, with the run begun in it."""
        self.open()
        assert self._writer is not None
        if self.run == 0:
            self._begin(self._writer)
        return self._writer

    def store(self, item: Batch | Dated) -> None:
        """Store a batch, or the date of the run, now.

        Raises:
            CardError: Not for now.
            DamageError: The log is damaged; see `replace_log`.
            StoreError: It cannot be stored.
        """
        writer = self._ready()
        try:
            if isinstance(item, Batch):
                writer.store(self.run, item)
            else:
                writer.redate(self.run, item.start_us, item.dated_by, item.t_us)
        except CardError as err:
            # A full card takes more once there is room. One that turned read-only or
            # was taken out cannot be put in again while anybody holds a file of it.
            if FULL not in err.faults[0].saw:
                self._let_go(writer)
            raise

    def _let_go(self, writer: Writer) -> None:
        """Close the log, to be opened again as soon as the card lets it be."""
        self._stop_making_whole()
        self._writer, self.run, self._salvage = None, 0, None
        self._has_let_go = True
        writer.abandon()

    def tidy(self) -> bool:
        """Do a portion of what can wait; return whether there is more.

        Raises:
            StoreError: It could not be done; the log may be damaged.
        """
        writer = self._ready()
        return (
            writer.tidy()
            or self._go_on_making_whole(writer)
            or self._go_on_salvaging(writer)
        )

    def _go_on_making_whole(self, writer: Writer) -> bool:
        """Do a portion of what runs that were cut off still lack, if any does."""
        if self._wholes is None:
            if not self._unwhole:
                return False
            run = self._unwhole.pop()
            self._wholes = writer.work(lambda c: make_whole(c, self.path, run))
        try:
            if next(self._wholes, None) is None:
                self._wholes = None
        except StoreError:
            self._wholes = None  # it stays as it is, a few seconds short
            raise
        return True

    def _stop_making_whole(self) -> None:
        """Give up a run that is being made whole, while its writer is still there."""
        wholes, self._wholes = self._wholes, None
        if isinstance(wholes, Generator):
            wholes.close()

    @property
    def shortage(self) -> str:
        """Why no room can be made, in words; empty while there is some."""
        return "" if self._writer is None else self._writer.shortage

    def replace_log(self, why: str, now_us: int) -> None:
        """Set the log aside because it is damaged; what follows goes into a new one.

        Args:
            why: What is wrong with it.
            now_us: The moment, microseconds since the run's zero.

        Raises:
            StoreError: The new one cannot be opened for now.
        """
        self._stop_making_whole()
        self._unwhole.clear()
        writer, self._writer, self.run, self._salvage = self._writer, None, 0, None
        if writer is not None:
            writer.abandon()
        self._put_aside(why, now_us)
        self._ready()

    def _put_aside(self, why: str, now_us: int) -> None:
        try:
            place = set_aside(self.path, self.clock.wall_us())
        except OSError as err:
            raise as_store_error(self.path, err, FIX) from err
        text = (
            f"The log was damaged ({why}). It is kept as {place.name}; what can be read"
            " of it is brought over."
        )
        log.error("%s", text)
        self.notice = text
        self._events.append(Event(now_us, "log damaged", text))

    def _go_on_salvaging(self, writer: Writer) -> bool:
        """Bring over a portion from a log that was set aside, if there is one."""
        if self._salvage is None:
            bring_over, left = self.bring_over, waiting(self.path)
            if not left or bring_over is None:
                return False
            source = left[0]
            steps = writer.work(lambda connection: bring_over(source, connection))
            self._salvage = (source, steps)
        source, steps = self._salvage
        try:
            step = next(steps, None)
        except CardError:
            self._salvage = None  # begun again; what is over is not done twice
            raise
        except StoreError as err:
            self._finish_salvage(source, is_read=False, text=str(err))
            return True
        if step is None:
            self._finish_salvage(source, is_read=True, text="")
        return True

    def _finish_salvage(self, source: Path, is_read: bool, text: str) -> None:
        self._salvage = None
        done = mark_done(source, is_read)
        self.notice = (
            f"What could be read of a damaged log is in this one; it is kept as"
            f" {done.name}."
            if is_read
            else f"Nothing can be read of a damaged log; it is kept as {done.name}."
        )
        log.warning("%s %s", self.notice, text)

    def end(self, end: RunEnd, last: Batch) -> None:
        """End the run, with the last batch, and close the log.

        Raises:
            StoreError: It could not be stored.
        """
        self._ready().end_run(self.run, end, last)

    def close(self) -> None:
        """Close the log, if it is open."""
        self._stop_making_whole()
        writer, self._writer = self._writer, None
        if writer is not None:
            if self._salvage is not None:
                steps = self._salvage[1]
                close = getattr(steps, "close", None)
                if close is not None:
                    close()
            writer.close()


def end_cut_off_runs(writer: Writer, but: RunStart | None = None) -> list[int]:
    """Mark live runs that were never ended; a writer is the only one of its log.

    Args:
        writer: Of the log.
        but: The run that goes on.

    Returns:
        Their numbers: they are still to be made whole (see `store/cut_off.py`).
    """
    spared = "" if but is None else but.uid
    with Log(writer.path) as found:
        cut_off = [
            (run.id, left_at(found, run)[0], balance_left(found, run))
            for run in found.runs()
            if run.recording is None and run.end_us is None
            if not (spared and run.uid == spared)
        ]
    for run, end_us, balance in cut_off:
        event = Event(end_us, CUT_OFF, WITHOUT_NOTICE)
        last = Batch([] if balance is None else [balance], events=[event])
        writer.end_run(run, RunEnd(end_us), last)
    return [run for run, _, _ in cut_off]
