"""Sets a damaged log aside, with all that belongs to it. Nothing is ever deleted.

A log that was set aside is known by its name, `<stem>.damaged-<stamp>.db`, until what
could be read of it has been brought over; then the name says so.
"""

import os
from datetime import UTC, datetime
from pathlib import Path

from logger.store.migrations import APPLICATION_ID

BESIDE = ("", "-wal", "-shm", "-journal")
"""A log and the files that SQLite keeps beside it."""

_MAGIC = b"SQLite format 3\x00"
_ID_AT = 68
_PAGE = 1024
"""Every page size that a log may have is a multiple of it."""
_DONE = ".salvaged.db"
_LOST = ".unreadable.db"


def is_ours(path: Path) -> bool:
    """Return whether a file that cannot be opened as a log may be set aside as one.

    Its mark must be ours, or its head so destroyed that it is nobody's: whole pages
    that do not begin as a database does.
    """
    head = path.read_bytes()[:100] if path.stat().st_size < _PAGE else _head(path)
    if head.startswith(_MAGIC):
        return int.from_bytes(head[_ID_AT : _ID_AT + 4], "big") == APPLICATION_ID
    size = path.stat().st_size
    return size >= _PAGE and size % _PAGE == 0


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(100)


def set_aside(path: Path, wall_us: int, why: str = "damaged") -> Path:
    """Move a log aside, with its WAL; return its new place.

    Args:
        path: The log; nobody writes it any more.
        wall_us: The date, microseconds since the Unix epoch, for the name.
        why: A word for the name.

    Raises:
        OSError: It cannot be moved.
    """
    date = datetime.fromtimestamp(wall_us // 1_000_000, tz=UTC)
    stamp, number = date.strftime("%Y%m%dT%H%M%SZ"), 1
    while True:
        again = "" if number == 1 else f"-{number}"
        place = path.with_name(f"{path.stem}.{why}-{stamp}{again}.db")
        if not any(_beside(place, each).exists() for each in BESIDE):
            break
        number += 1
    _move(path, place)
    return place


def _move(path: Path, place: Path) -> None:
    # The log itself last: a WAL without its log is thrown away by whoever makes a new
    # one there, a log without its WAL is only read less far.
    for each in reversed(BESIDE):
        if _beside(path, each).exists():
            _beside(path, each).rename(_beside(place, each))
    sync_folder(path.parent)


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def sync_folder(folder: Path) -> None:
    """Make sure that the names in a folder are on the card."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def waiting(path: Path) -> list[Path]:
    """Return the damaged logs set aside from a place that nobody has salvaged yet."""
    found = path.parent.glob(f"{path.stem}.damaged-*.db")
    return sorted(each for each in found if not each.name.endswith((_DONE, _LOST)))


def mark_done(place: Path, is_read: bool) -> Path:
    """Say in the name of a log that was set aside what came of it."""
    done = place.with_name(
        place.name.removesuffix(".db") + (_DONE if is_read else _LOST)
    )
    _move(place, done)
    return done
