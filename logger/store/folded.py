"""The seconds of a quarter of an hour, channel by channel, without losing a bit.

A `span` tells which seconds there are and how the sources beat in them: channels of one
message came together, and share their beat. A block holds the values of one channel,
whole or told from those that it was worked out from. What an interval came to follows
from its two ends where a second had one sample; only the others are kept. Knows
numbers, no names and no tables.
"""

import struct
import zlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S, Cell
from logger.store.columns import grid, pack_ints, skip_ints, unpack_ints
from logger.store.expected import (
    NO_GRID,
    less,
    more,
    pack_expected,
    pack_near,
    read_expected,
    read_near,
    trapezoids,
)
from logger.store.following import Following, pack_following, read_following
from logger.store.packed import DamagedRowError

FORMAT, FOLLOWING = 1, 2
"""First byte of every span and block; a later form gets another number. FOLLOWING is a
block that is told from others."""

_TOLD = struct.Struct("<BI")
"""How such a block begins: its form, and a sum over those that it is told from, so that
others than these are not taken for them."""

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


@dataclass(frozen=True, slots=True)
class Block:
    """The values of one channel.

    Attributes:
        beat: Number of its beat in the span.
        trigger: Number of the channel that it is told from, or None.
        held: Number of the channel that it is told from as well, or None.
        cells: The values as bytes.
    """

    beat: int
    trigger: int | None
    held: int | None
    cells: bytes


@dataclass(slots=True)
class Folding:
    """Takes the seconds of a quarter of an hour and gives a span and its blocks.

    The work is cut so that no call takes long: `add` one second, `block` one channel,
    `span` when all blocks were made.

    Args:
        follows: Channels that may be told from others. What others are told from is
            itself told whole.
    """

    follows: Mapping[int, Following] = field(default_factory=dict)
    _indexes: list[int] = field(default_factory=list)
    _first_us: list[int] = field(default_factory=list)
    _last_us: list[int] = field(default_factory=list)
    _cells: dict[int, tuple[list[int], list[Cell]]] = field(default_factory=dict)
    _beats: dict[Beat, int] = field(default_factory=dict)
    _packed: dict[int, bytes] = field(default_factory=dict)

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

    def block(self, channel: int) -> Block:
        """Return one channel."""
        beat = self._beat(channel)
        number = self._beats.setdefault(beat, len(self._beats))
        whole = Block(number, None, None, self._whole(channel))
        following = self._following(channel, beat)
        if following is None:
            return whole
        cells, *leads = (self._cells[each][1] for each in (channel, *following.leads))
        body = pack_following(cells, following, leads)
        if body is None:
            return whole
        head = _TOLD.pack(FOLLOWING, _sum(map(self._whole, following.leads)))
        packed = zlib.compress(head + body, LEVEL)
        told = Block(number, following.trigger, following.held, packed)
        return min(whole, told, key=lambda block: len(block.cells))

    def _whole(self, channel: int) -> bytes:
        if channel not in self._packed:
            self._packed[channel] = _pack_cells(self._cells[channel][1])
        return self._packed[channel]

    def _beat(self, channel: int) -> Beat:
        places, cells = self._cells[channel]
        return Beat(
            tuple(places),
            tuple(cell.n for cell in cells),
            tuple(cell.covered_us for cell in cells),
        )

    def _following(self, channel: int, beat: Beat) -> Following | None:
        """Return how a channel follows from others of its own beat, or None."""
        following = self.follows.get(channel)
        if following is None or channel in self._leads():
            return None
        for lead in following.leads:
            if lead not in self._cells or self._beat(lead) != beat:
                return None
        return following

    def _leads(self) -> set[int]:
        """Return what channels heard here may be told from."""
        heard = [each for name, each in self.follows.items() if name in self._cells]
        return {lead for following in heard for lead in following.leads}

    def span(self) -> bytes:
        """Return the seconds and all beats as bytes."""
        zeros_us = [index * US_PER_S for index in self._indexes]
        body = bytes([FORMAT]) + pack_ints([self.count, len(self._beats)])
        body += pack_ints(self._indexes)
        body += pack_ints(less(self._first_us, zeros_us))
        body += pack_ints(less(self._last_us, self._first_us))
        for beat in self._beats:
            heard = [0] * self.count
            for place in beat.places:
                heard[place] = 1
            body += pack_ints(heard) + pack_ints(beat.ns) + pack_ints(beat.covered_us)
        return zlib.compress(body, LEVEL)


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
    first_us = more(first, [index * US_PER_S for index in indexes])
    length, at = unpack_ints(body, at, count)
    found = []
    for _ in range(beats):
        heard, at = unpack_ints(body, at, count)
        places = tuple(place for place, is_heard in enumerate(heard) if is_heard)
        ns, at = unpack_ints(body, at, len(places))
        covered_us, at = unpack_ints(body, at, len(places))
        found.append(Beat(places, tuple(ns), tuple(covered_us)))
    last_us = more(length, first_us)
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


def _opened(packed: bytes, forms: Collection[int] = (FORMAT,)) -> bytes:
    try:
        body = zlib.decompress(packed)
    except zlib.error as err:
        raise DamagedRowError("not a packed block") from err
    if not body or body[0] not in forms:
        raise DamagedRowError(f"a block of form {body[:1].hex()}")
    return body


def _pack_cells(cells: Sequence[Cell]) -> bytes:
    last = [cell.last for cell in cells]
    low = [cell.low for cell in cells]
    high = [cell.high for cell in cells]
    decimals = grid([*last, *low, *high])
    decimals = NO_GRID if decimals is None else decimals
    body = bytes([FORMAT, decimals])
    anchor, newest = pack_near(last, decimals, [0] * len(cells))
    body += newest
    for values in (low, high):
        body += pack_near(values, decimals, anchor)[1]
    expected = trapezoids(last, [cell.covered_us for cell in cells])
    body += pack_expected([cell.integral for cell in cells], expected)
    return zlib.compress(body, LEVEL)


def _sum(blocks: Iterable[bytes]) -> int:
    return zlib.crc32(b"".join(blocks))


def read_block(packed: bytes, beat: Beat, leads: Sequence[bytes] = ()) -> list[Cell]:
    """Return the cells of one channel, one a place of its beat.

    Args:
        packed: The block.
        beat: Its beat.
        leads: The blocks that it is told from, the trigger's first.

    Raises:
        DamagedRowError: The bytes are no such block of a known form, or are told from
            other blocks than these.
    """
    try:
        body = _opened(packed, (FORMAT, FOLLOWING))
        if body[0] == FORMAT:
            return _read_whole(body, beat)
        _, known = _TOLD.unpack_from(body)
        if known != _sum(leads):
            raise DamagedRowError("a block that is told from others than these")
        cells = [read_block(lead, beat) for lead in leads]
        return read_following(body, _TOLD.size, cells)
    except (LookupError, ValueError, OverflowError, struct.error) as err:
        raise DamagedRowError("not the values of a channel") from err


def _read_whole(body: bytes, beat: Beat) -> list[Cell]:
    decimals, zeros = body[1], [0] * len(beat.places)
    anchor, last, at = read_near(body, 2, zeros, decimals)
    _, low, at = read_near(body, at, anchor, decimals)
    _, high, at = read_near(body, at, anchor, decimals)
    integrals, _ = read_expected(body, at, trapezoids(last, beat.covered_us))
    columns = zip(beat.ns, low, high, last, integrals, beat.covered_us, strict=True)
    return [Cell(*row) for row in columns]
