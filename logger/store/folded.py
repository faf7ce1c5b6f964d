"""The seconds of a quarter of an hour, channel by channel, without losing a bit.

A `span` tells which seconds there are and how the sources beat in them: channels of one
message came together, and share their beat. A block holds the values of one channel.
What an interval came to follows from its two ends where a second had one sample; only
the others are kept. Knows numbers, no names and no tables.
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S, Cell
from logger.store.columns import (
    floats,
    from_grid,
    grid,
    has_room,
    off_grid,
    on_grid,
    pack_ints,
    ranks,
    skip_ints,
    unpack_ints,
    wrapped,
)
from logger.store.packed import DamagedRowError

FORMAT = 1
"""First byte of every span and block; a later form gets another number."""

_NO_GRID = 255
LEVEL = 6


@dataclass(frozen=True, slots=True)
class Beat:
    """How a source spoke: what all channels of one message share.

    Attributes:
        places: Which seconds of the span had a sample, by their place in it.
        ns: Samples in each.
        covered_us: Counted time in each, microseconds.
    """

    places: tuple[int, ...]
    ns: tuple[int, ...]
    covered_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Span:
    """Which seconds there are.

    Attributes:
        indexes: Whole seconds since the run's zero, rising.
        first_us: First sample of each, microseconds since the run's zero.
        last_us: Newest sample of each.
        beats: By the number that blocks refer to.
    """

    indexes: tuple[int, ...]
    first_us: tuple[int, ...]
    last_us: tuple[int, ...]
    beats: tuple[Beat, ...]


@dataclass(slots=True)
class Folding:
    """Takes the seconds of a quarter of an hour and gives a span and its blocks.

    The work is cut so that no call takes long: `add` one second, `block` one channel,
    `span` when all blocks were made.
    """

    _indexes: list[int] = field(default_factory=list)
    _first_us: list[int] = field(default_factory=list)
    _last_us: list[int] = field(default_factory=list)
    _cells: dict[int, tuple[list[int], list[Cell]]] = field(default_factory=dict)
    _beats: dict[Beat, int] = field(default_factory=dict)

    def add(
        self, index: int, first_us: int, last_us: int, cells: Mapping[int, Cell]
    ) -> None:
        """Take the next second, its cells by channel number."""
        place = len(self._indexes)
        self._indexes.append(index)
        self._first_us.append(first_us)
        self._last_us.append(last_us)
        for channel, cell in cells.items():
            places, found = self._cells.setdefault(channel, ([], []))
            places.append(place)
            found.append(cell)

    @property
    def count(self) -> int:
        """Seconds taken."""
        return len(self._indexes)

    @property
    def channels(self) -> list[int]:
        """The channels heard, by number."""
        return sorted(self._cells)

    def block(self, channel: int) -> tuple[int, bytes]:
        """Return one channel: the number of its beat, and its values as bytes."""
        places, cells = self._cells[channel]
        beat = Beat(
            tuple(places),
            tuple(cell.n for cell in cells),
            tuple(cell.covered_us for cell in cells),
        )
        number = self._beats.setdefault(beat, len(self._beats))
        return number, _pack_cells(cells)

    def span(self) -> bytes:
        """Return the seconds and all beats as bytes."""
        zeros_us = [index * US_PER_S for index in self._indexes]
        body = bytes([FORMAT]) + pack_ints([self.count, len(self._beats)])
        body += pack_ints(self._indexes)
        body += pack_ints(_less(self._first_us, zeros_us))
        body += pack_ints(_less(self._last_us, self._first_us))
        for beat in self._beats:
            heard = [0] * self.count
            for place in beat.places:
                heard[place] = 1
            body += pack_ints(heard) + pack_ints(beat.ns) + pack_ints(beat.covered_us)
        return zlib.compress(body, LEVEL)


def _less(values: Sequence[int], by: Sequence[int]) -> list[int]:
    return [value - less for value, less in zip(values, by, strict=True)]


def _more(values: Sequence[int], by: Sequence[int]) -> list[int]:
    return [value + more for value, more in zip(values, by, strict=True)]


def read_span(packed: bytes) -> Span:
    """Return a span from its bytes.

    Raises:
        DamagedRowError: The bytes are no span of a known form.
    """
    try:
        return _read_span(_opened(packed))
    except (LookupError, ValueError, OverflowError) as err:
        raise DamagedRowError("not the seconds of a quarter of an hour") from err


def _read_span(body: bytes) -> Span:
    (count, beats), at = unpack_ints(body, 1, 2)
    indexes, at = unpack_ints(body, at, count)
    first, at = unpack_ints(body, at, count)
    first_us = _more(first, [index * US_PER_S for index in indexes])
    length, at = unpack_ints(body, at, count)
    found = []
    for _ in range(beats):
        heard, at = unpack_ints(body, at, count)
        places = tuple(place for place, is_heard in enumerate(heard) if is_heard)
        ns, at = unpack_ints(body, at, len(places))
        covered_us, at = unpack_ints(body, at, len(places))
        found.append(Beat(places, tuple(ns), tuple(covered_us)))
    last_us = _more(length, first_us)
    return Span(tuple(indexes), tuple(first_us), tuple(last_us), tuple(found))


def read_beat(packed: bytes, number: int) -> tuple[tuple[int, ...], Beat]:
    """Return which seconds a span has, and one of its beats; the rest is passed over.

    Raises:
        DamagedRowError: The bytes are no span of a known form, or lack that beat.
    """
    try:
        return _read_beat(_opened(packed), number)
    except (LookupError, ValueError, OverflowError) as err:
        raise DamagedRowError("not the seconds of a quarter of an hour") from err


def _read_beat(body: bytes, number: int) -> tuple[tuple[int, ...], Beat]:
    (count, beats), at = unpack_ints(body, 1, 2)
    if not 0 <= number < beats:
        raise IndexError(f"no beat {number}")
    indexes, at = unpack_ints(body, at, count)
    at = skip_ints(body, skip_ints(body, at, count), count)
    for _ in range(number):
        heard, at = unpack_ints(body, at, count)
        at = skip_ints(body, skip_ints(body, at, sum(heard)), sum(heard))
    heard, at = unpack_ints(body, at, count)
    places = tuple(place for place, is_heard in enumerate(heard) if is_heard)
    ns, at = unpack_ints(body, at, len(places))
    covered_us, at = unpack_ints(body, at, len(places))
    return tuple(indexes), Beat(places, tuple(ns), tuple(covered_us))


def _opened(packed: bytes) -> bytes:
    try:
        body = zlib.decompress(packed)
    except zlib.error as err:
        raise DamagedRowError("not a packed block") from err
    if body[:1] != bytes([FORMAT]):
        raise DamagedRowError(f"a block of form {body[:1].hex()}")
    return body


def _pack_cells(cells: Sequence[Cell]) -> bytes:
    last = [cell.last for cell in cells]
    low = [cell.low for cell in cells]
    high = [cell.high for cell in cells]
    decimals = grid([*last, *low, *high])
    body = bytes([FORMAT, _NO_GRID if decimals is None else decimals])
    anchor, newest = _column(last, decimals, [0] * len(cells))
    body += newest
    for values in (low, high):
        body += _column(values, decimals, anchor)[1]
    return zlib.compress(body + _pack_integrals(cells), LEVEL)


def _column(
    values: Sequence[float], decimals: int | None, near: Sequence[int]
) -> tuple[list[int], bytes]:
    """Return the whole numbers of a column, and its bytes as distances from `near`."""
    if decimals is None:
        places = ranks(values)
        return places, pack_ints([wrapped(each) for each in _less(places, near)])
    points = on_grid(values, decimals)
    off = off_grid(values, points, decimals)
    return points, pack_ints(_less(points, near)) + pack_ints(off)


def _read_column(
    body: bytes, at: int, near: Sequence[int], decimals: int
) -> tuple[list[int], list[float], int]:
    read, at = unpack_ints(body, at, len(near))
    points = _more(read, near)
    if decimals == _NO_GRID:
        points = [wrapped(each) for each in points]
        return points, floats(points), at
    off, at = unpack_ints(body, at, len(near))
    return points, from_grid(points, off, decimals), at


def _expected(last: Sequence[float], covered_us: Sequence[int]) -> list[float]:
    """Return what each second would come to if it had one interval from the last."""
    before = [last[0], *last[:-1]] if last else []
    return [
        (earlier + later) * 0.5 * us / US_PER_S
        for earlier, later, us in zip(before, last, covered_us, strict=True)
    ]


def _pack_integrals(cells: Sequence[Cell]) -> bytes:
    expected = _expected([c.last for c in cells], [c.covered_us for c in cells])
    found = [cell.integral for cell in cells]
    # Compared bit by bit: -0.0 equals 0.0.
    is_other = [int(a != b) for a, b in zip(ranks(found), ranks(expected), strict=True)]
    others = [value for value, other in zip(found, is_other, strict=True) if other]
    near = [value for value, other in zip(expected, is_other, strict=True) if other]
    decimals = grid(others)
    if decimals is not None and not has_room(near, decimals):
        decimals = None
    head = pack_ints(is_other) + bytes([_NO_GRID if decimals is None else decimals])
    anchor = ranks(near) if decimals is None else on_grid(near, decimals)
    return head + _column(others, decimals, anchor)[1]


def _read_integrals(
    body: bytes, at: int, last: Sequence[float], covered_us: Sequence[int]
) -> list[float]:
    expected = _expected(last, covered_us)
    is_other, at = unpack_ints(body, at, len(last))
    decimals = body[at]
    near = [value for value, other in zip(expected, is_other, strict=True) if other]
    anchor = ranks(near) if decimals == _NO_GRID else on_grid(near, decimals)
    _, others, _ = _read_column(body, at + 1, anchor, decimals)
    left = iter(others)
    return [
        next(left) if other else value
        for value, other in zip(expected, is_other, strict=True)
    ]


def read_block(packed: bytes, beat: Beat) -> list[Cell]:
    """Return the cells of one channel, one a place of its beat.

    Raises:
        DamagedRowError: The bytes are no such block of a known form.
    """
    try:
        return _read_block(_opened(packed), beat)
    except (LookupError, ValueError, OverflowError) as err:
        raise DamagedRowError("not the values of a channel") from err


def _read_block(body: bytes, beat: Beat) -> list[Cell]:
    decimals, zeros = body[1], [0] * len(beat.places)
    anchor, last, at = _read_column(body, 2, zeros, decimals)
    _, low, at = _read_column(body, at, anchor, decimals)
    _, high, at = _read_column(body, at, anchor, decimals)
    integrals = _read_integrals(body, at, last, beat.covered_us)
    columns = zip(beat.ns, low, high, last, integrals, beat.covered_us, strict=True)
    return [Cell(*row) for row in columns]
