"""SQLite on the real disk, with every byte counted that is handed to it."""

import itertools
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import apsw

if TYPE_CHECKING:
    from typing_extensions import Buffer

_names = itertools.count()


class _File(apsw.VFSFile):
    """One open file that counts what is written to it."""

    def __init__(
        self,
        inherit: str,
        name: "str | apsw.URIFilename | None",
        flags: list[int],
        written: Counter[str],
    ) -> None:
        super().__init__(inherit, name, flags)
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._kind = "WAL" if (path or "").endswith("-wal") else "file"
        self._written = written

    def xWrite(self, data: "Buffer", offset: int) -> None:  # noqa: N802 (apsw's name)
        self._written[self._kind] += memoryview(data).nbytes
        super().xWrite(data, offset)


class _Disk(apsw.VFS):
    def __init__(self, name: str, written: Counter[str]) -> None:
        self._written = written
        super().__init__(name, base="")

    def xOpen(  # noqa: N802
        self, name: "str | apsw.URIFilename | None", flags: list[int]
    ) -> apsw.VFSFile:
        return _File("", name, flags, self._written)


@dataclass(slots=True)
class Counted:
    """Opens databases, and knows what was written to them.

    Attributes:
        written: Bytes, to the WAL and to the file itself.
    """

    written: Counter[str] = field(default_factory=Counter)
    _disks: list[apsw.VFS] = field(default_factory=list)

    def connect(self, path: Path) -> apsw.Connection:
        """Open a database, for the writer's `connect`."""
        name = f"counted {next(_names)}"
        self._disks.append(_Disk(name, self.written))
        connection = apsw.Connection(str(path.absolute()), vfs=name)
        connection.set_busy_timeout(5000)
        return connection

    @property
    def total(self) -> int:
        """All bytes."""
        return sum(self.written.values())
