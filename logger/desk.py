"""The desk: what a person entered, in a small database of its own.

Written by the dashboard alone and read by the logger once a second, which books every
entry as an ordered input of the pipeline and answers with its number in the snapshot.
Paired phones live here too. Knows no page and no pipeline.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.errors import StoreError
from logger.phones import (
    PHONE_TABLES,
    Phone,
    admit,
    is_known,
    listed,
    open_window,
    remove,
)

CLOCK = "clock"
"""Kind of the entry by which a person gives the date."""

BUSY_S = 2.0
"""How long a lock is waited for."""

_ENTRIES = """CREATE TABLE IF NOT EXISTS entry (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    made_us INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL DEFAULT '',
    channel TEXT NOT NULL DEFAULT '',
    value REAL NOT NULL DEFAULT 0.0
) STRICT"""


@dataclass(frozen=True, slots=True)
class DeskEntry:
    """One entry as it lies on the desk.

    Attributes:
        number: Its number, rising, never used again.
        made_us: When it was made, wall clock, microseconds since the Unix epoch.
        kind: `note`, `reading` or `clock`.
        text: The words of a note; of a date, the start of the computer it belongs to.
        channel: The channel of a reading told by hand.
        value: Its value, in the channel's unit; of a date, the date at which that start
            of the computer began, microseconds since the Unix epoch.
    """

    number: int
    made_us: int
    kind: str
    text: str
    channel: str
    value: float


@dataclass(frozen=True, slots=True)
class Desk:
    """The desk's file, for the dashboard (writing) and the logger (reading).

    Args:
        path: The file; made where there is none, by the first entry.
    """

    path: Path

    def note(self, made_us: int, text: str) -> int:
        """Lay a note on the desk; return its number.

        Raises:
            StoreError: The desk cannot be written.
        """
        return self._insert(made_us, "note", text, "", 0.0)

    def tell(self, made_us: int, channel: str, value: float) -> int:
        """Lay the value of a channel on the desk that a person told.

        Args:
            made_us: Wall clock, microseconds since the Unix epoch.
            channel: For example `awning.left.extended`.
            value: In the channel's unit.

        Raises:
            StoreError: The desk cannot be written.
        """
        return self._insert(made_us, "reading", "", channel, value)

    def clock(self, made_us: int, uptime_us: int, date_us: int, boot: str) -> int:
        """Lay the date that a person gave on the desk.

        Kept as the date at which the computer started, so that it is as good whenever
        it is read.

        Args:
            made_us: Wall clock, microseconds since the Unix epoch.
            uptime_us: Uptime of the computer when the date was given, microseconds.
            date_us: The date, microseconds since the Unix epoch.
            boot: Which start of the computer that uptime belongs to.

        Raises:
            StoreError: The desk cannot be written.
        """
        return self._insert(made_us, CLOCK, boot, "", float(date_us - uptime_us))

    def after(self, number: int) -> list[DeskEntry]:
        """Return the entries behind a number, in order; empty without a desk.

        Raises:
            StoreError: The desk is there and cannot be read.
        """
        with self._reading("entry") as connection:
            if connection is None:
                return []
            rows = connection.execute(
                "SELECT number, made_us, kind, text, channel, value FROM entry"
                " WHERE number > ? ORDER BY number",
                (number,),
            ).fetchall()
        return [DeskEntry(*row) for row in rows]

    def open_pairing(self, now_us: int) -> str:
        """Open the window for one phone; return the code that it has to tell.

        An earlier code is void from now on.

        Args:
            now_us: Uptime of the computer, microseconds: no step of the date may
                lengthen or end the ten minutes.

        Raises:
            StoreError: The desk cannot be written.
        """
        with self._writing() as connection:
            return open_window(connection, now_us)

    def pair(
        self, code: str, now_us: int, label: str, paired_us: int | None = None
    ) -> str | None:
        """Pair a phone that tells the code; return its token, or None if it is wrong.

        A code is good for one phone. The fifth wrong one closes the window.

        Args:
            code: What was typed.
            now_us: Uptime of the computer, microseconds.
            label: What to call the phone.
            paired_us: The date, microseconds since the Unix epoch, for the list.

        Raises:
            StoreError: The desk cannot be written.
        """
        with self._reading("pairing") as found:
            if found is None:
                return None
        with self._writing() as connection:
            return admit(connection, code, now_us, label, paired_us)

    def is_paired(self, token: str) -> bool:
        """Return whether a token belongs to a paired phone.

        Raises:
            StoreError: The desk is there and cannot be read.
        """
        with self._reading("phone") as connection:
            return connection is not None and is_known(connection, token)

    def phones(self) -> list[Phone]:
        """Return the paired phones, in order of pairing.

        Raises:
            StoreError: The desk is there and cannot be read.
        """
        with self._reading("phone") as connection:
            return [] if connection is None else listed(connection)

    def unpair(self, number: int) -> bool:
        """Take a phone's right away; return whether there was such a phone.

        Raises:
            StoreError: The desk cannot be written.
        """
        with self._reading("phone") as found:
            if found is None:
                return False
        with self._writing() as connection:
            return remove(connection, number)

    def clear(self) -> None:
        """Forget every entry and every phone, for a new owner of the van.

        Numbers go on rising, so that nothing new is taken for something booked.

        Raises:
            StoreError: The desk cannot be written.
        """
        if not self.path.exists():
            return
        with self._writing() as connection:
            connection.execute("PRAGMA secure_delete = ON").fetchall()
            for (table,) in connection.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'table'"
                " AND name NOT LIKE 'sqlite_%'"
            ).fetchall():
                connection.execute(f"DELETE FROM {table}")  # noqa: S608 (our own)
        with self._open("rw") as connection:
            connection.execute("VACUUM")

    def _insert(
        self, made_us: int, kind: str, text: str, channel: str, value: float
    ) -> int:
        with self._writing() as connection:
            cursor = connection.execute(
                "INSERT INTO entry (made_us, kind, text, channel, value)"
                " VALUES (?, ?, ?, ?, ?)",
                (made_us, kind, text, channel, value),
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Yield a connection in a transaction; what was done is kept at the end."""
        with self._open("rwc") as connection:
            # Immediate: of two wrong tries at once, each counts the other.
            connection.execute("BEGIN IMMEDIATE")
            for table in (_ENTRIES, *PHONE_TABLES):
                connection.execute(table)
            yield connection
            connection.execute("COMMIT")

    @contextmanager
    def _reading(self, table: str) -> Iterator[sqlite3.Connection | None]:
        """Yield a connection, or None where nothing of the kind was ever written."""
        if not self.path.exists():
            yield None
            return
        with self._open("ro") as connection:
            row = connection.execute(
                "SELECT 1 FROM sqlite_schema WHERE name = ?", (table,)
            ).fetchone()
            yield None if row is None else connection

    @contextmanager
    def _open(self, mode: str) -> Iterator[sqlite3.Connection]:
        uri = f"{self.path.resolve().as_uri()}?mode={mode}"
        try:
            # The default (DELETE) journal with FULL: an entry that was acknowledged
            # is on the card, and another user may read the file.
            with closing(
                sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
            ) as connection:
                yield connection
        except sqlite3.Error as err:
            raise StoreError(
                where=str(self.path),
                saw=f'the answer "{err}" from SQLite',
                fix="See that the folder may be written and the disk has room.",
            ) from err
