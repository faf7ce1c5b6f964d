"""Puts a copy in the place of a log; what was there is set aside, never deleted."""

from dataclasses import dataclass
from pathlib import Path

from logger.errors import StoreError
from logger.store.aside import set_aside, sync_folder
from logger.store.connect import WriterLock, as_store_error
from logger.store.copying import write_whole
from logger.store.identity import van_id
from logger.store.reader import Log
from logger.store.soundness import find_damage


@dataclass(frozen=True, slots=True)
class Content:
    """What is in a log, in short.

    Attributes:
        runs: How many runs it has.
        newest_us: Newest date in it, microseconds since the Unix epoch; None without.
        van: Whose log it is; empty if it does not say.
    """

    runs: int
    newest_us: int | None
    van: str


def content_of(path: Path) -> Content:
    """Return what is in a log.

    Raises:
        StoreError: It is no log, or cannot be read.
    """
    with Log(path) as log:
        runs = log.runs()
        dates = [
            run.start_us + (run.end_us or 0) for run in runs if run.start_us is not None
        ]
        known = van_id(log.connection)
    return Content(len(runs), max(dates, default=None), known[0] if known else "")


def sound_content(copy: Path) -> Content:
    """Return what is in a copy, once all of it was read and found sound.

    Raises:
        StoreError: It is no log, cannot be read, or is damaged.
    """
    content = content_of(copy)
    damage = find_damage(copy, lambda: False)
    if damage is not None:
        raise StoreError(
            where=str(copy), saw=damage, fix="Give another copy; this one is damaged."
        )
    return content


def put_back(path: Path, copy: Path, wall_us: int) -> Path | None:
    """Put a copy in the place of a log; return where the log is now, None without one.

    Args:
        path: The log; there may be none.
        copy: A sound copy of a log.
        wall_us: The date, microseconds since the Unix epoch, for the name of the log
            that is set aside.

    Raises:
        StoreError: Another process writes the log, or something cannot be written;
            what was there is then still there.
    """
    part = path.with_name(path.name + ".part")
    is_there = path.exists()
    lock = WriterLock(path) if is_there else None
    try:
        write_whole(copy, part, lambda: False)
        aside = set_aside(path, wall_us, "replaced") if is_there else None
        part.replace(path)
        sync_folder(path.parent)
    except OSError as err:
        raise as_store_error(path, err, "See that the disk has room.") from err
    finally:
        part.unlink(missing_ok=True)
        if lock is not None:
            lock.release()
    return aside
