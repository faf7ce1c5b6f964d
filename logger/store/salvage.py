"""Brings what can be read of a damaged log into an open one.

First every row that its pages still hold goes into a sound file beside it, then that
one is joined like any other log of the van. All in short steps; done again after a
kill, it comes to the same.
"""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from logger.errors import StoreError
from logger.store.connect import Connection, as_store_error, in_transaction
from logger.store.joining import Joined, join
from logger.store.reader import Log
from logger.store.recovering import Found, recover
from logger.store.sources import LogSource

FIX = "Keep the damaged log; a copy of an earlier day can be put back."


def salvage(source: Path, connection: Connection) -> Iterator[str]:
    """Bring what can be read of a damaged log into an open one, step by step.

    Args:
        source: The damaged log; it is only read, with a WAL beside it.
        connection: The open log; no transaction is under way.

    Yields:
        What each step did, in words.

    Raises:
        StoreError: Nothing can be read of it, or a file cannot be written.
    """
    joined, found = Joined(), Found()
    yield from salvaging(source, connection, joined, found)


def salvaging(
    source: Path, connection: Connection, joined: Joined, found: Found
) -> Iterator[str]:
    """Do the same; what it comes to is counted in `joined` and `found`."""
    scratch = source.with_name(source.name + ".part")
    try:
        yield from recover(source, scratch, found)
        if not found.rows:
            raise StoreError(where=str(source), saw="no row that can be read", fix=FIX)
        with Log(scratch) as log:
            yield from join(LogSource(log), connection, joined)
    except (OSError, sqlite3.Error) as err:
        raise as_store_error(source, err, FIX) from err
    finally:
        scratch.unlink(missing_ok=True)
    in_transaction(connection, lambda: _note(connection, source, joined, found))
    yield "done"


def _note(connection: Connection, source: Path, joined: Joined, found: Found) -> None:
    """Write down in the newest run what was brought over."""
    rows = sum(found.rows.values())
    text = (
        f"{rows} rows of {joined.added + joined.united} runs were brought over from"
        f" {source.name}; {found}."
    )
    connection.execute(
        "INSERT OR IGNORE INTO event (run, t_us, kind, text)"
        " SELECT max(id), coalesce((SELECT max(t_us) FROM balance WHERE run ="
        " (SELECT max(id) FROM run WHERE end_us IS NULL)), 0), 'salvaged', ?"
        " FROM run WHERE end_us IS NULL HAVING max(id) IS NOT NULL",
        (text,),
    )
