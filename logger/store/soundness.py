"""Whether a log is sound: found out by reading all of it, beside those who use it.

A page that was overwritten shows neither at inserts nor at the newest rows; only a
check of the whole file sees it.
"""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

STEPS = 20_000
"""Instructions of SQLite's machine between two looks at whether to stop."""


def find_damage(path: Path, is_stopped: Callable[[], bool]) -> str | None:
    """Return what is wrong with a log, in SQLite's words; None if nothing was found.

    Args:
        path: The log; it may be written meanwhile.
        is_stopped: Asked now and then, as often as SQLite lets one ask; a check that
            is stopped finds nothing.
    """
    uri = path.resolve().as_uri() + "?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True)) as connection:
            connection.set_progress_handler(lambda: int(is_stopped()), STEPS)
            rows = connection.execute("PRAGMA quick_check(1)").fetchall()
    except sqlite3.OperationalError:
        return None  # stopped, or a card that gives nothing for now: told elsewhere
    except sqlite3.DatabaseError as err:
        return str(err)
    text = str(rows[0][0]) if rows else "no answer"
    return None if text == "ok" else text.strip().splitlines()[-1]
