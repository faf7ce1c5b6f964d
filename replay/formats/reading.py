"""What all recordings have in common: bytes in, items out, damage counted.

Opens plain and gzip files, knows how far it has read, and never stops at a bad line.
"""

import gzip
import hashlib
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Protocol, TextIO, cast

from logger.decode.frames import Item
from logger.errors import RecordingError
from replay.formats.timeline import Timeline

GZIP_MAGIC = b"\x1f\x8b"
BREAKS = (EOFError, gzip.BadGzipFile, zlib.error)
"""What a compressed file raises where it is cut off or damaged."""

LONGEST_LINE = 1 << 20
"""A line without an end is cut here; no table or log has longer ones."""


@dataclass(slots=True)
class Damage:
    """What could not be read of one recording.

    Attributes:
        lines: Lines that were counted and skipped.
        notes: What else a person should know, one sentence each.
        skipped: What carries no data, counted by its kind.
    """

    lines: int = 0
    notes: list[str] = field(default_factory=list)
    skipped: dict[str, int] = field(default_factory=dict)

    def skip(self, kind: str) -> None:
        """Count something sound that carries no data, such as an error frame."""
        self.skipped[kind] = self.skipped.get(kind, 0) + 1

    def note_skipped(self) -> None:
        """Put into words what was skipped; once, at the end of the recording."""
        self.notes += [
            f"{count} {kind} were skipped." for kind, count in self.skipped.items()
        ]

    def clear(self) -> None:
        """Begin anew, as a recording that is read again does."""
        self.lines = 0
        self.notes.clear()
        self.skipped.clear()


@dataclass(slots=True)
class Progress:
    """How much of a file has been read, bytes; shared by reader and display."""

    done_bytes: int = 0


class Recording(Protocol):
    """One recording, whatever its form."""

    path: Path
    damage: Damage
    progress: Progress

    def items(self, timeline: Timeline) -> Iterator[Item]:
        """Yield what was recorded, in order; count and skip what is damaged.

        Args:
            timeline: Places the recording's stamps.
        """


def digest(path: Path) -> str:
    """Return the SHA-256 digest of what is in a file, unpacked if it is gzip.

    The same recording is the same, packed or not. A packed file that breaks off is
    known by its bytes as they are.

    Raises:
        RecordingError: The file cannot be read.
    """
    found = hashlib.sha256()
    with opened_bytes(path, Progress()) as binary:
        try:
            while piece := binary.read(LONGEST_LINE):
                found.update(piece)
        except BREAKS:
            with path.open("rb") as packed:
                return hashlib.file_digest(packed, "sha256").hexdigest()
    return found.hexdigest()


def unreadable(path: Path, err: OSError) -> RecordingError:
    """Return the error for a file that cannot be opened or read."""
    return RecordingError(
        where=str(path),
        saw=(err.strerror or str(err)).lower(),
        fix="Give a recording that can be read.",
    )


@contextmanager
def opened(
    path: Path, encoding: str, progress: Progress | None = None
) -> Iterator[TextIO]:
    """Open a plain or gzip file as text; bytes that are no text become marks.

    Args:
        path: The file.
        encoding: Its text encoding.
        progress: Told how far the file has been read.

    Raises:
        RecordingError: The file cannot be opened.
    """
    with opened_bytes(path, progress or Progress()) as binary:
        yield io.TextIOWrapper(binary, encoding=encoding, errors="replace", newline="")


@contextmanager
def opened_bytes(path: Path, progress: Progress) -> Iterator[BinaryIO]:
    """Open a plain or gzip file as the bytes that are in it.

    Args:
        path: The file.
        progress: Told how far the file itself has been read.

    Raises:
        RecordingError: The file cannot be opened.
    """
    if path.exists() and not path.is_file():
        # A pipe would be empty at the second reading, a device has no end.
        fix = "Store the recording as a file first; it is read more than once."
        raise RecordingError(where=str(path), saw="no plain file", fix=fix)
    try:
        raw = path.open("rb")
    except OSError as err:
        raise unreadable(path, err) from err
    with raw:
        binary = cast(BinaryIO, io.BufferedReader(_Counted(raw, progress)))
        if _is_gzip(path):
            binary = cast(BinaryIO, gzip.GzipFile(fileobj=binary))
        yield binary


def _is_gzip(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(2) == GZIP_MAGIC


class _Counted(io.RawIOBase):
    """A raw file that says how far it has been read."""

    def __init__(self, raw: io.BufferedReader, progress: Progress) -> None:
        self._raw = raw
        self._progress = progress

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "memoryview | bytearray") -> int:  # type: ignore[override]
        count = self._raw.readinto(buffer)
        self._progress.done_bytes += count
        return count


def break_note(err: Exception) -> str:
    """Return what a person should know of an error that ended the reading."""
    if isinstance(err, OSError) and not isinstance(err, gzip.BadGzipFile):
        why = (err.strerror or str(err)).lower()
        return f"The file cannot be read to its end: {why}."
    return f"The file breaks off: {str(err).lower()}."


def lines(text: TextIO, damage: Damage) -> Iterator[str]:
    """Yield the lines of a file without their ends, up to where it breaks off.

    Args:
        text: An open file.
        damage: Told where a compressed file is broken.
    """
    while True:
        try:
            line = text.readline(LONGEST_LINE)
        except (OSError, *BREAKS) as err:
            damage.notes.append(break_note(err))
            return
        if not line:
            return
        yield line.rstrip("\r\n")
