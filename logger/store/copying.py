"""Daily copies of a log, made while it is written, the oldest given up for the newest.

A copy is made through SQLite, never as a copy of an open file. It comes into being
under another name, is checked, and gets its name only when it is whole and safe on its
card.
"""

import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from logger.errors import StoreError
from logger.store.aside import is_ours, sync_folder
from logger.store.connect import as_store_error
from logger.store.soundness import find_damage

PAGES = 1024
PAUSE_S = 0.02
"""Between two stretches of so many pages, so that the card serves the log too."""

FIX = "See that the folder for copies is there, may be written and has room."


class StoppedError(Exception):
    """The program ends before the copy is whole."""


def copy_name(path: Path, wall_us: int) -> str:
    """Return the name of the copy of a day.

    Args:
        path: The log.
        wall_us: The date, microseconds since the Unix epoch.
    """
    date = datetime.fromtimestamp(wall_us // 1_000_000, tz=UTC)
    return f"{path.stem}-{date:%Y-%m-%d}.db"


def copies(path: Path, folder: Path) -> list[Path]:
    """Return the copies of a log in a folder, the oldest first."""
    pattern = re.compile(re.escape(path.stem) + r"-\d{4}-\d{2}-\d{2}\.db")
    if not folder.is_dir():
        return []
    return sorted(each for each in folder.iterdir() if pattern.fullmatch(each.name))


def make_copy(
    path: Path, folder: Path, wall_us: int, is_stopped: Callable[[], bool]
) -> Path | None:
    """Make the copy of a day, in place of one of the same day.

    Args:
        path: The log; it may be written meanwhile.
        folder: Where copies lie.
        wall_us: The date, microseconds since the Unix epoch.
        is_stopped: Asked between stretches.

    Returns:
        The copy, or None if it was stopped.

    Raises:
        StoreError: It could not be made, or is not sound; what was there before stays.
    """
    made = folder / copy_name(path, wall_us)
    part = made.with_name(made.name + ".part")
    try:
        write_whole(path, part, is_stopped)
        part.replace(made)
        sync_folder(folder)
    except StoppedError:
        part.unlink(missing_ok=True)
        return None
    except (OSError, sqlite3.Error) as err:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise as_store_error(made, err, FIX) from err
    return made


def write_whole(path: Path, part: Path, is_stopped: Callable[[], bool]) -> None:
    """Write a sound copy of a log as one plain file.

    Args:
        path: The log; it may be written meanwhile.
        part: The copy; one that was left there is overwritten.
        is_stopped: Asked between stretches.

    Raises:
        StoppedError: The program ends.
        StoreError: The copy is not sound.
        OSError, sqlite3.Error: It could not be read or written.
    """

    def go_on(_status: int, _remaining: int, _total: int) -> None:
        if is_stopped():
            raise StoppedError

    part.unlink(missing_ok=True)
    uri = path.resolve().as_uri() + "?mode=ro"
    with (
        closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as source,
        closing(sqlite3.connect(part, isolation_level=None)) as target,
    ):
        # One view of the log throughout: a copy begins anew at every batch otherwise.
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        source.backup(target, pages=PAGES, sleep=PAUSE_S, progress=go_on)
        target.execute("PRAGMA journal_mode = DELETE").fetchone()
    damage = find_damage(part, is_stopped)
    if is_stopped():
        raise StoppedError
    if damage is not None:
        raise StoreError(
            where=str(path),
            saw=f"a copy that is not sound: {damage}",
            fix="The log is damaged; earlier copies are kept.",
        )
    with part.open("rb") as file:
        os.fsync(file.fileno())


def give_up_oldest(path: Path, folder: Path, keep: int) -> list[Path]:
    """Delete the oldest copies beyond a number; return them.

    Only files that carry the name and the mark of a copy are touched.
    """
    ours = [each for each in copies(path, folder) if is_ours(each)]
    gone = ours[: max(0, len(ours) - keep)]
    for each in gone:
        each.unlink()
    return gone
