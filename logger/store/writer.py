"""The one writer of a log: one thread, one connection, one transaction a batch.

A batch is stored whole or not at all; what it may cost to lose one is up to the caller,
who decides how much goes into a batch. Every row has a key of its own, so that writing
a batch again changes nothing. A log that was closed cleanly is a single plain file that
any user who may read it can open.
"""

import logging
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from logger.clock import Clock
from logger.errors import AmpledgerError
from logger.store.connect import (
    Connect,
    Connection,
    WriterLock,
    as_store_error,
    connect_for_writing,
    make_small_pages,
    write_with_care,
)
from logger.store.dating import redate
from logger.store.folding import fold, ready
from logger.store.identity import own_van
from logger.store.keeping import Keeping, Limits
from logger.store.merging import Merging
from logger.store.migrations import migrate
from logger.store.rows import Batch, Rows, discard
from logger.store.runs import RunEnd as RunEnd
from logger.store.runs import RunStart as RunStart
from logger.store.runs import insert_run

log = logging.getLogger(__name__)

BATCHES_AHEAD = 8
"""How many batches may wait for the card before the sender has to wait too."""

KEEPING_US = 60_000_000
"""How often room is looked for: far less than a reserve is written in between."""

NOT_STORED = "Nothing of this batch was stored; see that the disk has room."

T = TypeVar("T")


@dataclass(slots=True)
class Writer:
    """Writes one log; every call but `close` may be made from one other thread.

    Args:
        path: The log; made where there is none.
        connect: How it is opened.
        clock: Dates the changes of the tables, and says when to look for room.
        limits: What the log keeps; None keeps everything.
    """

    path: Path
    connect: Connect = connect_for_writing
    clock: Clock = field(default_factory=Clock)
    limits: Limits | None = None
    _lock: WriterLock = field(init=False)
    _thread: ThreadPoolExecutor = field(init=False)
    _connection: Connection = field(init=False)
    _waiting: deque[Future[None]] = field(default_factory=deque)
    _rows: Rows = field(init=False)
    _merging: Merging = field(init=False)
    _failed: BaseException | None = None
    _chore: Iterator[None] | None = None
    _keeping: Keeping | None = None
    _kept_us: int | None = None

    def __post_init__(self) -> None:
        self._lock = WriterLock(self.path)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="writer")
        try:
            self._now(self._open, "Give a log of this program, or a new name.")
        except BaseException:
            self._thread.shutdown()
            self._lock.release()
            raise

    def __enter__(self) -> "Writer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def begin_run(self, start: RunStart) -> int:
        """Store a new run; return its number.

        Raises:
            StoreError: The log cannot be written.
        """
        return self._now(lambda: self._begin_run(start))

    def write(self, run: int, batch: Batch) -> None:
        """Store a batch soon; return at once unless too much is waiting.

        Raises:
            StoreError: An earlier batch could not be stored.
        """
        self._waiting.append(self._thread.submit(self._write, run, batch))
        self._settle(BATCHES_AHEAD)

    def store(self, run: int, batch: Batch) -> None:
        """Store a batch now; return when it is safe on the card.

        Unlike `write`, a failure bars nothing: the same batch may be stored again.

        Raises:
            StoreError: It could not be stored.
        """
        self._now(lambda: self._in_transaction(lambda: self._rows.insert(run, batch)))

    def end_run(self, run: int, end: RunEnd, last: Batch | None = None) -> None:
        """Store what is left of a run and mark it as over; wait until it is stored.

        Args:
            run: The run.
            end: What is known of its end.
            last: Stored in the same transaction: all of it, or neither.

        Raises:
            StoreError: The log cannot be written.
        """
        self._settle(0)
        self._now(lambda: self._end_run(run, end, last))

    def redate(self, run: int, start_us: int, dated_by: str, t_us: int) -> None:
        """Set a run's date right, and that of the unsure ones of the same boot.

        Nothing else is rewritten: all times are told from the run's zero.

        Args:
            run: The run.
            start_us: The confirmed date of its zero, microseconds since the Unix
                epoch.
            dated_by: What gave it: `network`, `satellites` or `person`.
            t_us: When that was, microseconds since the run's zero.

        Raises:
            StoreError: It could not be stored.
        """
        self._now(
            lambda: self._in_transaction(
                lambda: redate(self._connection, run, start_us, dated_by, t_us)
            )
        )

    def tidy(self) -> bool:
        """Do a bounded portion of the work that can wait; return whether more does.

        Folds the seconds that lie behind and keeps the log within its limits. A portion
        takes milliseconds, so that it goes between two batches.

        Raises:
            StoreError: The log could not be read or written; try again later.
        """
        return self._now(self._tidy)

    @property
    def shortage(self) -> str:
        """Why no room can be made in the log, in words; empty while there is some."""
        return "" if self._keeping is None else self._keeping.trouble

    def discard_run(self, run: int) -> None:
        """Take a run out again that was never finished; wait until it is out."""
        self._settle(0)
        self._now(lambda: self._discard_run(run))

    def work(self, job: Callable[[Connection], Iterator[str]]) -> Iterator[str]:
        """Do a long job on the log, step by step; yield what each step says.

        Between two steps batches are stored as usual.

        Args:
            job: Gives the steps, each a transaction of its own, in the writer's thread.

        Raises:
            StoreError: A step could not be done; what the earlier ones did stays.
        """
        steps = self._now(lambda: job(self._connection))
        try:
            while (told := self._now(lambda: self._step(steps))) is not None:
                yield told
        finally:
            if isinstance(steps, Generator):
                self._now(steps.close)  # what it opened belongs to that thread

    def close(self) -> None:
        """Store what is waiting and leave one plain file behind.

        Raises:
            StoreError: Something that was handed over could not be stored.
        """
        try:
            self._settle(0)
        finally:
            error = self._thread.submit(self._shut).exception()
            self._thread.shutdown()
            self._lock.release()
            if error is not None:
                # What was stored is safe, in two files until the next writer closes.
                log.warning("%s was not made one plain file: %s", self.path, error)

    def abandon(self) -> None:
        """Let go of a log that is damaged or gone: no more is written into it."""
        self._thread.submit(self._connection.close).exception()
        self._thread.shutdown()
        self._lock.release()

    def _settle(self, ahead: int) -> None:
        while len(self._waiting) > ahead:
            self._result(self._waiting.popleft())

    def _now(self, job: Callable[[], T], fix: str = NOT_STORED) -> T:
        return self._result(self._thread.submit(job), fix)

    def _result(self, future: "Future[T]", fix: str = NOT_STORED) -> T:
        error = future.exception()
        if isinstance(error, Exception) and not isinstance(error, AmpledgerError):
            # Which error class a full or failing disk raises is the connection's own.
            raise as_store_error(self.path, error, fix) from error
        return future.result()

    # All below runs in the writer's thread.

    def _open(self) -> None:
        self._connection = self.connect(self.path)
        try:
            make_small_pages(self._connection)
            # Refuses somebody else's database before anything in it is touched.
            migrate(self._connection, self.path.name, self.clock.wall_us())
            write_with_care(self._connection)
            self._rows = Rows(self._connection)
            self._merging = Merging(self._connection, self._in_transaction)
            if self.limits is not None:
                self._keeping = Keeping(
                    self._connection, self.path, self.limits, self._in_transaction
                )
        except BaseException:
            self._connection.close()
            raise

    def _shut(self) -> None:
        # One plain file can be read by anyone, a WAL only by who may write beside it.
        # Fails while a reader holds it open. The checkpoint comes first: the switch
        # overlooks a WAL that only a reader has opened.
        try:
            # A reader that stays is not waited for: the next writer makes it one file.
            self._connection.execute("PRAGMA busy_timeout = 500").fetchall()
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            self._connection.execute("PRAGMA journal_mode = DELETE").fetchone()
        finally:
            self._connection.close()

    def _in_transaction(self, job: Callable[[], T]) -> T:
        if self._is_open():
            # A failing disk may have refused the last ROLLBACK too.
            self._connection.execute("ROLLBACK")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            result = job()
            self._connection.execute("COMMIT")
        except BaseException:
            self._rows.forget()
            if self._is_open():
                self._connection.execute("ROLLBACK")
            raise
        return result

    def _is_open(self) -> bool:
        """Return whether a transaction is open; a full disk ends it by itself."""
        return bool(self._connection.in_transaction)

    def _begin_run(self, start: RunStart) -> int:
        def insert() -> int:
            own_van(self._connection, self.path.name, start.van_id, self.clock)
            return insert_run(self._connection, start)

        return self._in_transaction(insert)

    def _write(self, run: int, batch: Batch) -> None:
        # Behind a batch that could not be stored nothing else of it may be: a hole in
        # the middle would look like silence.
        if self._failed is not None:
            raise self._failed
        try:
            self._in_transaction(lambda: self._rows.insert(run, batch))
        except BaseException as err:
            self._failed = err
            raise

    def _end_run(self, run: int, end: RunEnd, last: Batch | None) -> None:
        if self._failed is not None:
            raise self._failed

        def finish() -> None:
            if last is not None:
                self._rows.insert(run, last)
            self._connection.execute(
                "UPDATE run SET end_us = ?, damaged_lines = ? WHERE id = ?",
                (end.end_us, end.damaged_lines, run),
            )

        self._in_transaction(finish)

    def _tidy(self) -> bool:
        if self._chore is None:
            self._chore = self._chores()
        try:
            next(self._chore)
        except StopIteration:
            self._chore = None
            return False
        except BaseException:
            self._chore = None
            raise
        return True

    def _chores(self) -> Iterator[None]:
        while (quarter := ready(self._connection)) is not None:
            yield from fold(self._connection, quarter, self._in_transaction)
            yield from self._merging.work(quarter.run, quarter.end_us)
        now_us = self.clock.mono_us()
        is_due = self._kept_us is None or now_us - self._kept_us >= KEEPING_US
        if self._keeping is not None and is_due:
            yield from self._keeping.work()
            self._kept_us = now_us

    def _step(self, steps: Iterator[str]) -> str | None:
        try:
            return next(steps, None)
        except BaseException:
            self._rows.forget()
            if self._is_open():
                self._connection.execute("ROLLBACK")
            raise

    def _discard_run(self, run: int) -> None:
        self._in_transaction(lambda: discard(self._connection, run))
