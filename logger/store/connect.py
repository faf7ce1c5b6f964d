"""How a log is opened: the few calls that the store makes of a connection.

The writer takes any connection with these calls, so that tests can give it one whose
disk tears, fills or lies.
"""

import errno
import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Protocol, TypeVar

from logger.errors import CardError, DamageError, StoreError
from logger.store.packed import DamagedRowError

T = TypeVar("T")

CUT_BACK_BYTES = 8 << 20
"""A WAL that has grown is cut back to this once it has been taken in."""

BUSY_S = 5.0
"""How long a lock is waited for before an open or a write is given up."""


class WriterLock:
    """Keeps a second writer out of a log while one is open.

    SQLite lets two processes write in turns; two loggers in one book would take each
    other's open runs for stopped ones. The lock is the operating system's, so that it
    is gone with its process.

    Args:
        path: The log; made where there is none.

    Raises:
        StoreError: Another process writes it, or it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as err:
            kind = CardError if err.errno in _PASSING_CODES else StoreError
            raise kind(
                where=str(path),
                saw=(err.strerror or str(err)).lower(),
                fix="Give a file in a folder you may write.",
            ) from err
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as err:
            os.close(self._file)
            raise StoreError(
                where=str(path),
                saw="another process that writes it",
                fix="Wait until that one has ended, or give another log.",
            ) from err

    def release(self) -> None:
        """Let the next writer in. The log must be closed before."""
        os.close(self._file)


class Cursor(Protocol):
    """What comes back from a statement."""

    def fetchone(self) -> Any:
        """Return the next row as a tuple, or None."""

    def fetchall(self) -> list[Any]:
        """Return all rows that are left."""


class Connection(Protocol):
    """An open database; transactions are begun and ended by statements."""

    def execute(self, sql: str, values: Sequence[Any] = ..., /) -> Cursor:
        """Run one statement."""

    def executemany(self, sql: str, rows: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for each row."""

    def close(self) -> None:
        """Close the file."""

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""


Connect = Callable[[Path], Connection]
"""Opens a file for writing; makes it where there is none."""


def in_transaction(connection: Connection, job: Callable[[], T]) -> T:
    """Return what a job returns; all that it did is kept, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        result = job()
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return result


_PASSING = ("full", "disk I/O", "readonly", "unable to open", "locked")
_DAMAGED = ("malformed", "not a database")
"""Words in what SQLite says, whichever library passes it on."""

_PASSING_CODES = frozenset(
    {errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT, errno.ENOMEM, errno.EBUSY}
)


def as_store_error(path: Path, error: Exception, fix: str) -> StoreError:
    """Return what a failure at a log comes to: damage, a card that refuses, or else.

    Args:
        path: The log.
        error: What was raised.
        fix: What to do.
    """
    kind: type[StoreError] = StoreError
    if isinstance(error, DamagedRowError):
        kind = DamageError
    elif isinstance(error, OSError):
        kind = CardError if error.errno in _PASSING_CODES else StoreError
    elif type(error).__module__ in ("sqlite3", "apsw"):
        if any(words in str(error) for words in _DAMAGED):
            kind = DamageError
        elif any(words in str(error) for words in _PASSING):
            kind = CardError
    return kind(where=str(path), saw=quoted(error), fix=fix)


def quoted(error: BaseException) -> str:
    """Return the words of a database's error, as they stand in a message."""
    if isinstance(error, DamagedRowError):
        return f"something unreadable, {error}"
    if isinstance(error, OSError):
        return (error.strerror or str(error)).lower()
    return f'the answer "{error}" from SQLite'


def connect_for_writing(path: Path) -> sqlite3.Connection:
    """Return a connection that begins no transaction by itself.

    Raises:
        StoreError: The file cannot be opened or made.
    """
    try:
        # An absolute path is a file, whatever its name means to SQLite.
        return sqlite3.connect(path.absolute(), timeout=BUSY_S, isolation_level=None)
    except sqlite3.Error as err:
        raise as_store_error(
            path, err, "Give a file in a folder you may write."
        ) from err


PAGE_BYTES = 1024
"""Of a new log: a commit writes whole pages, and mostly touches three; a quarter of the
usual page is less than half of what the card has to take in a day (measured)."""

PAGES_WAITING = 4000
"""Taken into the log together: as many bytes as with pages of the usual size."""


def make_small_pages(connection: Connection) -> None:
    """Choose the size of the pages; a log that has any keeps its own."""
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")


def write_with_care(connection: Connection) -> None:
    """Set how an open log is written; it is known to be one of ours."""
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    connection.execute(f"PRAGMA journal_size_limit = {CUT_BACK_BYTES}").fetchone()
    connection.execute(f"PRAGMA wal_autocheckpoint = {PAGES_WAITING}").fetchone()
    # NORMAL loses seconds at a power cut; FULL loses the open batch only.
    connection.execute("PRAGMA synchronous = FULL")


def connect_for_reading(path: Path) -> sqlite3.Connection:
    """Return a connection that cannot change the file.

    Raises:
        StoreError: There is no such file, or it cannot be read as a database.
    """
    if not path.is_file():
        raise StoreError(
            where=str(path), saw="no such file", fix="Give a log that was written here."
        )
    uri = path.resolve().as_uri() + "?mode=ro"
    connection = None
    try:
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S)
        with closing(connection.execute("SELECT count(*) FROM sqlite_schema")) as rows:
            rows.fetchone()
    except sqlite3.Error as err:
        if connection is not None:
            connection.close()
        raise as_store_error(path, err, "Give a log that you may read.") from err
    return connection
