"""Leaves nothing of deleted rows in the file of a log, nor in its WAL.

SQLite leaves what it deleted in free pages, and folding has deleted seconds long before
anybody asked for it. Until the file was written anew a mark stands in the table `shed`,
so that an erasing that was interrupted is finished by the next one. What a card keeps
of blocks that were written over is out of any program's reach.
"""

from collections.abc import Iterator

from logger.errors import StoreError
from logger.store.connect import Connection, in_transaction

UNSWEPT = "unswept"
"""Mark in the table `shed`: the file still has to be written anew."""


def begin(connection: Connection, run: int) -> None:
    """Write the mark, and let SQLite write over what it deletes from now on.

    Args:
        connection: The log; no transaction is under way.
        run: A run of it.
    """
    connection.execute("PRAGMA secure_delete = ON").fetchall()
    in_transaction(
        connection,
        lambda: connection.execute(
            "INSERT OR REPLACE INTO shed (run, what, until_us) VALUES (?, ?, 0)",
            (run, UNSWEPT),
        ),
    )


def is_due(connection: Connection) -> bool:
    """Return whether something was erased and the file not written anew since."""
    row = connection.execute("SELECT 1 FROM shed WHERE what = ?", (UNSWEPT,)).fetchone()
    return row is not None


def sweep(connection: Connection, name: str) -> Iterator[str]:
    """Write the file anew, step by step; the card needs room for it once more.

    Args:
        connection: The log; no transaction is under way.
        name: Its file's name, for messages.

    Raises:
        StoreError: Another program reads the log and keeps the WAL as it is.
    """
    connection.execute("PRAGMA secure_delete = ON").fetchall()
    connection.execute("VACUUM").fetchall()
    yield "the file written anew"
    _take_in(connection, name)
    in_transaction(
        connection,
        lambda: connection.execute("DELETE FROM shed WHERE what = ?", (UNSWEPT,)),
    )
    _take_in(connection, name)
    yield "the WAL emptied"


def _take_in(connection: Connection, name: str) -> None:
    (is_busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if is_busy:
        raise StoreError(
            where=name,
            saw="another program that reads it, which keeps what was erased in its WAL",
            fix="End the dashboard and what else has the log open, and erase again.",
        )
