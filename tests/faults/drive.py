"""SQLite on a medium of ours: each thing it does to its files is noted on a tape.

One process, one connection: locks are always had, and there is no shared memory, so
that a log in WAL mode has to be locked for good.
"""

import itertools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, cast

import apsw

from tests.faults.medium import (
    SECTOR,
    Change,
    Files,
    Flushed,
    Made,
    Operation,
    Removed,
    Resized,
    Written,
    put,
)

_names = itertools.count()


class RefusedError(apsw.IOError):
    """The medium refuses; SQLite takes it for an I/O error."""


@contextmanager
def hushed() -> Iterator[None]:
    """Keep quiet about refusals that SQLite itself gets over."""
    told = sys.unraisablehook

    def tell_others(found: "sys.UnraisableHookArgs") -> None:
        if not isinstance(found.exc_value, RefusedError):
            told(found)

    sys.unraisablehook = tell_others
    try:
        yield
    finally:
        sys.unraisablehook = told


@dataclass(slots=True)
class Medium:
    """What a program sees of its files, and the tape of what it did to them.

    Attributes:
        files: What every file holds now.
        tape: What was done to them, in order.
        asked: How often the medium was asked for anything, reading too.
        flushes: Which of these requests were to flush a file.
        fails: Tells by that number whether the medium refuses.
    """

    files: dict[str, bytearray] = field(default_factory=dict)
    tape: list[Operation] = field(default_factory=list)
    asked: int = 0
    flushes: list[int] = field(default_factory=list)
    fails: Callable[[int], bool] = lambda _number: False

    @classmethod
    def holding(cls, files: Files) -> "Medium":
        """Return a medium on which some files are."""
        return cls({name: bytearray(data) for name, data in files.items()})

    def answer(self) -> None:
        """Count one request, or refuse it."""
        self.asked += 1
        if self.fails(self.asked):
            raise RefusedError("the medium refuses")

    def change(self, change: Change) -> None:
        """Write into a file, or change its size."""
        self.answer()
        put(self.files[change.name], change)
        self.tape.append(change)

    def make(self, name: str) -> None:
        """Make a file where there is none."""
        if name not in self.files:
            self.answer()
            self.files[name] = bytearray()
            self.tape.append(Made(name))

    def remove(self, name: str, is_flushed: bool) -> None:
        """Take a file away."""
        if name in self.files:
            self.answer()
            del self.files[name]
            self.tape.append(Removed(name, is_flushed))

    def flush(self, name: str) -> None:
        """Flush a file."""
        self.flushes.append(self.asked + 1)
        self.answer()
        self.tape.append(Flushed(name))


class _Open:
    """One open file, as apsw calls it."""

    def __init__(self, medium: Medium, name: str) -> None:
        self._medium = medium
        self._name = name
        self._level = 0

    def excepthook(self, *_: object) -> bool:
        """Let SQLite itself tell what failed."""
        return True

    def xRead(self, amount: int, offset: int) -> bytes:  # noqa: N802 (apsw's name)
        self._medium.answer()
        return bytes(self._medium.files[self._name][offset : offset + amount])

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        self._medium.change(Written(self._name, offset, bytes(data)))

    def xTruncate(self, newsize: int) -> None:  # noqa: N802
        self._medium.change(Resized(self._name, newsize))

    def xSync(self, flags: int) -> None:  # noqa: N802
        self._medium.flush(self._name)

    def xFileSize(self) -> int:  # noqa: N802
        self._medium.answer()
        return len(self._medium.files[self._name])

    def xLock(self, level: int) -> None:  # noqa: N802
        self._level = level

    def xUnlock(self, level: int) -> None:  # noqa: N802
        self._level = level

    def xCheckReservedLock(self) -> bool:  # noqa: N802
        return False

    def xFileControl(self, op: int, ptr: int) -> bool:  # noqa: N802
        return False

    def xSectorSize(self) -> int:  # noqa: N802
        return SECTOR

    def xDeviceCharacteristics(self) -> int:  # noqa: N802
        # As SQLite takes it of any file on Linux: bytes beside a write stay.
        return apsw.SQLITE_IOCAP_POWERSAFE_OVERWRITE

    def xClose(self) -> None:  # noqa: N802
        pass


class _Drive(apsw.VFS):
    """The medium, as SQLite looks at it."""

    def __init__(self, name: str, medium: Medium) -> None:
        self._medium = medium
        super().__init__(name, base="", maxpathname=0)

    def excepthook(
        self,
        etype: type[BaseException] | None,
        evalue: BaseException | None,
        etraceback: TracebackType | None,
    ) -> bool:
        """Let SQLite itself tell what failed."""
        return True

    def xOpen(  # noqa: N802
        self, name: str | apsw.URIFilename | None, flags: list[int]
    ) -> apsw.VFSFile:
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        path = path or f"temporary {next(_names)}"
        self._medium.make(path)
        flags[1] = flags[0]
        return cast(apsw.VFSFile, _Open(self._medium, path))

    def xAccess(self, pathname: str, flags: int) -> bool:  # noqa: N802
        self._medium.answer()
        return pathname in self._medium.files

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802
        self._medium.remove(filename, syncdir)

    def xFullPathname(self, name: str) -> str:  # noqa: N802
        return name


class _Connection(apsw.Connection):
    """A connection in which one pragma may be answered otherwise than asked."""

    synchronous = "FULL"

    def execute(self, statements: str, *args: Any, **kwargs: Any) -> apsw.Cursor:
        """Run a statement; how carefully to flush is the medium's own setting."""
        if statements.startswith("PRAGMA synchronous"):
            statements = f"PRAGMA synchronous = {self.synchronous}"
        return super().execute(statements, *args, **kwargs)


@dataclass(slots=True)
class Drive:
    """Opens logs on a medium, for the writer's `connect`.

    Args:
        medium: Where the bytes go; files are called by the last part of their path.
        synchronous: How carefully SQLite flushes, whatever the writer asks for.
        checkpoint_pages: How many pages the WAL may have before it is taken in.
    """

    medium: Medium
    synchronous: str = "FULL"
    checkpoint_pages: int = 40
    _opened: list[apsw.Connection] = field(default_factory=list)

    def connect(self, path: Path) -> apsw.Connection:
        """Open a log that is locked for good."""
        name = f"drive {next(_names)}"
        drive = _Drive(name, self.medium)
        connection = _Connection(path.name, vfs=name)
        connection.synchronous = self.synchronous
        self._opened.append(connection)
        connection.set_busy_timeout(0)
        connection.execute("PRAGMA locking_mode = EXCLUSIVE").fetchall()
        connection.execute(f"PRAGMA wal_autocheckpoint = {self.checkpoint_pages}")
        drive.unregister()
        return connection

    def pull(self) -> None:
        """Let go of whatever is still open, as a process that ends does."""
        for connection in self._opened:
            connection.close(force=True)
        self._opened.clear()
