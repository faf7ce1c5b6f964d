"""Columns of whole numbers and of floats as few bytes, without losing a bit.

What boxes report moves in small steps on a grid. A column is therefore kept as whole
numbers that differ little from one to the next, and those byte by byte in planes: the
planes that hardly change shrink to nothing when the whole is deflated. Knows numbers
only.
"""

import struct
import sys
from array import array
from collections.abc import Sequence
from itertools import accumulate, pairwise

_CODES = {1: "b", 2: "h", 4: "i", 8: "q"}
_LIMITS = ((1, 1 << 7), (2, 1 << 15), (4, 1 << 31))
_WRAP = 1 << 64
_HALF = 1 << 63
_RISES = 0x10
"""Flag: each number is told by its difference from the one before, not the first."""

MOST_DECIMALS = 10
"""Finer grids are finer than a float of the sizes that occur here."""

MOST_ULPS = 127
"""How far a float may be off its grid, in units of its last place: 3 * 0.1 is one off
0.3, and a sum of products some more."""

BY_PRODUCT = 100
"""Added to the decimals of a grid whose points are whole numbers times 0.1, 0.01 …: as
floats these are not always the nearest to the decimal."""

_EXACT = 1 << 53
"""Whole numbers up to here are floats without rounding."""


def pack_ints(values: Sequence[int]) -> bytes:
    """Return whole numbers of at most 64 bits as bytes; no number, no byte."""
    if not values:
        return b""
    first = values[0]
    steps = [later - earlier for earlier, later in pairwise(values)]
    spread = [value - first for value in values[1:]]
    flag = 0
    if sum(map(abs, steps)) <= sum(map(abs, spread)):
        flag, spread = _RISES, steps
    width = _width(spread)
    if width == max(_CODES):
        spread = [wrapped(value) for value in spread]
    head = bytes([flag | width]) + _varint(first)
    if width == 0:
        return head
    column = array(_CODES[width], spread)
    if sys.byteorder == "big":
        column.byteswap()
    flat = column.tobytes()
    return head + b"".join(flat[place::width] for place in range(width))


def unpack_ints(data: bytes, at: int, count: int) -> tuple[list[int], int]:
    """Return so many whole numbers, and where the next column begins.

    Args:
        data: Bytes of `pack_ints`, somewhere in them.
        at: Where the column begins.
        count: How many numbers it has.

    Raises:
        IndexError: There are fewer bytes than numbers.
        ValueError: The bytes are no such column.
    """
    if count == 0:
        return [], at
    flag, width = data[at] & _RISES, data[at] & ~_RISES
    first, at = _read_varint(data, at + 1)
    if width == 0:
        return [first] * count, at
    if width not in _CODES:
        raise ValueError(f"a column of numbers of {width} bytes")
    flat = bytearray((count - 1) * width)
    end = at + len(flat)
    for place in range(width):
        # Raises ValueError where the planes are cut short.
        flat[place::width] = data[
            at + place * (count - 1) : at + (place + 1) * (count - 1)
        ]
    column = array(_CODES[width])
    column.frombytes(bytes(flat))
    if sys.byteorder == "big":
        column.byteswap()
    if flag:
        values = list(accumulate(column, initial=first))
    else:
        values = [first, *(first + value for value in column)]
    if width == max(_CODES):
        values = [wrapped(value) for value in values]
    return values, end


def skip_ints(data: bytes, at: int, count: int) -> int:
    """Return where the column behind one of so many numbers begins."""
    if count == 0:
        return at
    width = data[at] & ~_RISES
    _, at = _read_varint(data, at + 1)
    return at + (count - 1) * width


def _width(values: Sequence[int]) -> int:
    """Return how many bytes each number needs; 0 if all are zero."""
    if not any(values):
        return 0
    low, high = min(values), max(values)
    for width, limit in _LIMITS:
        if -limit <= low and high < limit:
            return width
    return max(_CODES)


def wrapped(value: int) -> int:
    """Return a number of 64 bits with its sign, going round at the ends."""
    return (value + _HALF) % _WRAP - _HALF


def _varint(value: int) -> bytes:
    """Return one number, small ones in one byte."""
    rest = value * 2 if value >= 0 else -value * 2 - 1
    out = bytearray()
    while rest >= 0x80:
        out.append(rest & 0x7F | 0x80)
        rest >>= 7
    out.append(rest)
    return bytes(out)


def _read_varint(data: bytes, at: int) -> tuple[int, int]:
    shift = rest = 0
    while data[at] & 0x80:
        rest |= (data[at] & 0x7F) << shift
        shift += 7
        at += 1
    rest |= data[at] << shift
    return (-(rest + 1) // 2 if rest & 1 else rest // 2), at + 1


def ranks(values: Sequence[float]) -> list[int]:
    """Return the place of each float in the order of all floats.

    Neighbours differ by 1, and -0.0 comes just before 0.0.
    """
    bits = struct.unpack(f"<{len(values)}q", struct.pack(f"<{len(values)}d", *values))
    return [each if each >= 0 else -(each & (_HALF - 1)) - 1 for each in bits]


def floats(places: Sequence[int]) -> list[float]:
    """Return the floats of such places, the reverse of `ranks`."""
    bits = [each if each >= 0 else -each - 1 - _HALF for each in places]
    packed = struct.pack(f"<{len(bits)}q", *bits)
    return list(struct.unpack(f"<{len(bits)}d", packed))


def grid(values: Sequence[float]) -> int | None:
    """Return the coarsest decimal grid that holds all of some floats; None for none.

    Args:
        values: Finite floats.

    Returns:
        Decimals of the grid; BY_PRODUCT more where the floats are exactly whole numbers
        times a power of ten, as a description's factor makes them.
    """
    probe = values[:: max(1, len(values) // 8)]
    for decimals in range(MOST_DECIMALS + 1):
        if not has_room(values, decimals) or _furthest(probe, decimals) > MOST_ULPS:
            continue
        off = _furthest(values, decimals)
        if off and _furthest(values, decimals + BY_PRODUCT) == 0:
            return decimals + BY_PRODUCT
        if off <= MOST_ULPS:
            return decimals
    return None


def _furthest(values: Sequence[float], decimals: int) -> int:
    """Return how far a float is off its point at most, in units of the last place."""
    off = off_grid(values, on_grid(values, decimals), decimals)
    return max(map(abs, off), default=0)


def has_room(values: Sequence[float], decimals: int) -> bool:
    """Return whether the points of a grid that fine are whole numbers of a float."""
    scale = 10.0 ** (decimals % BY_PRODUCT)
    return max(map(abs, values), default=0.0) * scale < _EXACT


def on_grid(values: Sequence[float], decimals: int) -> list[int]:
    """Return the nearest point of a grid for each float, as a whole number."""
    scale = 10.0 ** (decimals % BY_PRODUCT)
    return [round(value * scale) for value in values]


def off_grid(
    values: Sequence[float], points: Sequence[int], decimals: int
) -> list[int]:
    """Return how far each float is off its point, in units of the last place."""
    exact = ranks(_at(points, decimals))
    return [have - want for have, want in zip(ranks(values), exact, strict=True)]


def from_grid(points: Sequence[int], off: Sequence[int], decimals: int) -> list[float]:
    """Return the floats of points and distances, the reverse of the two above."""
    exact = ranks(_at(points, decimals))
    return floats([want + by for want, by in zip(exact, off, strict=True)])


def _at(points: Sequence[int], decimals: int) -> list[float]:
    if decimals >= BY_PRODUCT:
        step = 10.0 ** (BY_PRODUCT - decimals)
        return [point * step for point in points]
    scale = 10.0**decimals
    return [point / scale for point in points]
