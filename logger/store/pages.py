"""The pages of a log as they lie in its file, for one that SQLite cannot read any more.

Knows how a file is cut into pages, what of a write-ahead log beside it was committed,
and how rows lie in a page. Reads only; a page that makes no sense gives nothing.

Source: SQLite's "Database File Format", sections 1.3 (header), 1.6 (b-tree pages),
2.1 (records), 4 (write-ahead log).
"""

import os
import struct
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

MAGIC = b"SQLite format 3\x00"
SIZES = (1024, 4096)
"""Page sizes of logs, the smaller first: tried one by one where the header is lost."""

PROBES = 200

TABLE_LEAF, TABLE_NODE, INDEX_LEAF, INDEX_NODE = 0x0D, 0x05, 0x0A, 0x02
LONGEST_ROW = 1 << 26
"""Bytes; a row that claims more is none of ours."""

_NUMBER_SIZES = (0, 1, 2, 3, 4, 6, 8)


class BadPageError(ValueError):
    """A page, or a part of one, that makes no sense."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a page.

    Attributes:
        child: Page with all that comes before it; 0 in a leaf.
        number: Its row number; 0 in a tree that is kept by key.
        record: Its values; empty in the node of a numbered tree.
    """

    child: int
    number: int
    record: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a tree.

    Attributes:
        kind: One of the four kinds.
        cells: In their order, without those that make no sense.
        last_child: Page with all that comes behind the cells; 0 in a leaf.
        lost: Cells that make no sense.
    """

    kind: int
    cells: tuple[Cell, ...]
    last_child: int
    lost: int

    @property
    def is_leaf(self) -> bool:
        """True where there is nothing below."""
        return self.kind in (TABLE_LEAF, INDEX_LEAF)


@dataclass(slots=True)
class Pages:
    """A file that is open for reading page by page.

    Args:
        path: The file; a write-ahead log beside it is read with it.

    Raises:
        OSError: It cannot be opened.
    """

    path: Path
    size: int = field(init=False)
    count: int = field(init=False)
    touched: set[int] = field(default_factory=set)
    _file: int = field(init=False)
    _wal: int | None = field(init=False, default=None)
    _newer: dict[int, int] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._file = os.open(self.path, os.O_RDONLY)
        header = os.pread(self._file, 100, 0)
        self.size = _page_size(header) or self._likely_size()
        self.count = os.fstat(self._file).st_size // self.size
        wal = self.path.with_name(self.path.name + "-wal")
        if wal.exists():
            self._wal = os.open(wal, os.O_RDONLY)
            self._newer = _committed(self._wal, self.size)
            self.count = max([self.count, *self._newer])

    def __enter__(self) -> "Pages":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._file)
        if self._wal is not None:
            os.close(self._wal)

    def _likely_size(self) -> int:
        """Return the size by which most pages make sense."""
        length = os.fstat(self._file).st_size
        shares = {}
        for size in SIZES:
            self.size = size
            self.count = count = max(1, length // size)
            # An odd step: every fourth small page alone looks like a large one.
            probes = range(2, count + 1, count // PROBES | 1)
            shares[size] = sum(map(self._makes_sense, probes)) / max(1, len(probes))
        # Large pages begin where every fourth small one would.
        most = max(shares.values())
        return next(size for size in SIZES if shares[size] >= most / 2)

    def _makes_sense(self, number: int) -> bool:
        try:
            page = self.page(number)
        except BadPageError:
            return False
        return page.lost == 0 and bool(page.cells)

    def bytes_of(self, number: int) -> bytes:
        """Return one page.

        Raises:
            BadPageError: There is no such page.
        """
        place = self._newer.get(number)
        if not 1 <= number <= self.count and place is None:
            raise BadPageError(f"no page {number}")
        if place is not None and self._wal is not None:
            found = os.pread(self._wal, self.size, place)
        else:
            found = os.pread(self._file, self.size, (number - 1) * self.size)
        if len(found) < self.size:
            raise BadPageError(f"no page {number}")
        return found

    def page(self, number: int) -> Page:
        """Return one page of a tree.

        Raises:
            BadPageError: It is none.
        """
        data = self.bytes_of(number)
        start = 100 if number == 1 else 0
        try:
            return self._page(data, start)
        except (struct.error, IndexError, ValueError) as err:
            raise BadPageError(f"page {number} makes no sense") from err

    def _page(self, data: bytes, start: int) -> Page:
        kind, _, count = struct.unpack_from(">BHH", data, start)
        if kind not in (TABLE_LEAF, TABLE_NODE, INDEX_LEAF, INDEX_NODE):
            raise BadPageError(f"kind {kind}")
        is_leaf = kind in (TABLE_LEAF, INDEX_LEAF)
        at = start + (8 if is_leaf else 12)
        if at + 2 * count > self.size:
            raise BadPageError(f"{count} cells")
        cells, lost = [], 0
        for place in struct.unpack_from(f">{count}H", data, at):
            try:
                cells.append(self._cell(data, place, kind))
            except (struct.error, IndexError, ValueError):
                lost += 1
        if count and not cells:
            raise BadPageError("no cell makes sense")
        (last,) = (0,) if is_leaf else struct.unpack_from(">I", data, start + 8)
        return Page(kind, tuple(cells), last, lost)

    def _cell(self, data: bytes, at: int, kind: int) -> Cell:
        child = number = 0
        if kind in (TABLE_NODE, INDEX_NODE):
            (child,) = struct.unpack_from(">I", data, at)
            at += 4
        if kind == TABLE_NODE:
            number, _ = varint(data, at)
            return Cell(child, number, ())
        length, at = varint(data, at)
        if kind == TABLE_LEAF:
            number, at = varint(data, at)
        return Cell(child, number, record(self._payload(data, at, length, kind)))

    def _payload(self, data: bytes, at: int, length: int, kind: int) -> bytes:
        if not 0 < length <= LONGEST_ROW:
            raise BadPageError(f"a row of {length} bytes")
        here = _length_here(self.size, length, kind)
        found = data[at : at + here]
        if len(found) < here:
            raise BadPageError("a cell beyond its page")
        if here == length:
            return found
        (following,) = struct.unpack_from(">I", data, at + here)
        parts, left = [found], length - here
        while left > 0:
            # No chain is longer than its row, so that a circle ends too.
            more = self.bytes_of(following)
            self.touched.add(following)
            (following,) = struct.unpack_from(">I", more)
            parts.append(more[4 : 4 + left])
            left -= len(parts[-1])
        return b"".join(parts)


def _page_size(header: bytes) -> int:
    """Return what the header says; 0 where it says nothing that can be."""
    if header[:16] != MAGIC:
        return 0
    (told,) = struct.unpack_from(">H", header, 16)
    size = 65536 if told == 1 else int(told)
    # A size that is none is of a damaged header.
    is_size = 512 <= size <= 65536 and size & (size - 1) == 0
    return size if is_size else 0


def _length_here(size: int, length: int, kind: int) -> int:
    """Return how many bytes of a row lie in its page; the rest lies in a chain."""
    most = size - 35 if kind == TABLE_LEAF else (size - 12) * 64 // 255 - 23
    if length <= most:
        return length
    least = (size - 12) * 32 // 255 - 23
    here = least + (length - least) % (size - 4)
    return here if here <= most else least


def varint(data: bytes, at: int) -> tuple[int, int]:
    """Return a number of one to nine bytes, and the place behind it."""
    value = 0
    for place in range(at, at + 8):
        byte = data[place]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place + 1
    value = value << 8 | data[at + 8]
    return value - (1 << 64) if value >> 63 else value, at + 9


def record(data: bytes) -> tuple[Any, ...]:
    """Return the values of a record.

    Raises:
        BadPageError: It is none, or does not fill its bytes.
    """
    head, at = varint(data, 0)
    codes = []
    while at < head:
        code, at = varint(data, at)
        codes.append(code)
    if at != head or head > len(data):
        raise BadPageError("a record without a head")
    values = []
    for code in codes:
        value, at = _value(data, at, code)
        values.append(value)
    if at != len(data):
        raise BadPageError("a record of another length")
    return tuple(values)


def _value(data: bytes, at: int, code: int) -> tuple[Any, int]:
    if code == 0:
        return None, at
    if code in (8, 9):
        return code - 8, at
    if code == 7:
        return struct.unpack_from(">d", data, at)[0], at + 8
    if 1 <= code <= 6:
        end = at + _NUMBER_SIZES[code]
        return int.from_bytes(data[at:end], "big", signed=True), end
    if code < 12:
        raise BadPageError(f"a value of kind {code}")
    end = at + (code - 12) // 2
    found = data[at:end]
    return (found.decode() if code % 2 else found), end


def _committed(wal: int, size: int) -> dict[int, int]:
    """Return where the newest committed form of each page lies in a write-ahead log."""
    head = os.pread(wal, 32, 0)
    if len(head) < 32 or struct.unpack_from(">I", head, 8)[0] != size:
        return {}
    order = ">" if head[3] & 1 else "<"
    sums = _checksum((0, 0), head[:24], order)
    found: dict[int, int] = {}
    pending: dict[int, int] = {}
    at = 32
    while len(frame := os.pread(wal, 24 + size, at)) == 24 + size:
        number, commit, *salts, first, second = struct.unpack_from(">6I", frame)
        sums = _checksum(sums, frame[:8] + frame[24:], order)
        # What is left of an earlier log has other salts; a torn frame another sum.
        if tuple(salts) != struct.unpack_from(">2I", head, 16):
            break
        if sums != (first, second):
            break
        pending[number] = at + 24
        if commit:
            found |= pending
            pending = {}
        at += 24 + size
    return found


def _checksum(sums: tuple[int, int], data: bytes, order: str) -> tuple[int, int]:
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for place in range(0, len(words), 2):
        first = (first + words[place] + second) & 0xFFFFFFFF
        second = (second + words[place + 1] + first) & 0xFFFFFFFF
    return first, second
