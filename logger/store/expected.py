"""Columns of floats told by how far they are from others, without losing a bit.

Either all along another column, or, where most were expected to the bit, only those
that were not. Knows numbers only.
"""

from collections.abc import Sequence

from logger.core.tick import US_PER_S
from logger.store.columns import (
    floats,
    from_grid,
    grid,
    has_room,
    off_grid,
    on_grid,
    pack_ints,
    ranks,
    unpack_ints,
    wrapped,
)

NO_GRID = 255
"""In the place of a grid's decimals: floats that lie on none."""


def less(values: Sequence[int], by: Sequence[int]) -> list[int]:
    """Return each number less the one beside it."""
    return [value - each for value, each in zip(values, by, strict=True)]


def more(values: Sequence[int], by: Sequence[int]) -> list[int]:
    """Return each number and the one beside it, added up."""
    return [value + each for value, each in zip(values, by, strict=True)]


def pack_near(
    values: Sequence[float], decimals: int, near: Sequence[int]
) -> tuple[list[int], bytes]:
    """Return the whole numbers of a column, and its bytes as distances from `near`.

    Args:
        values: Finite floats.
        decimals: Of a grid that holds them, or NO_GRID.
        near: A whole number beside each: a point of the grid, or the place of a float.
    """
    if decimals == NO_GRID:
        places = ranks(values)
        return places, pack_ints([wrapped(each) for each in less(places, near)])
    points = on_grid(values, decimals)
    off = off_grid(values, points, decimals)
    return points, pack_ints(less(points, near)) + pack_ints(off)


def read_near(
    body: bytes, at: int, near: Sequence[int], decimals: int
) -> tuple[list[int], list[float], int]:
    """Return the whole numbers of such a column, its floats, and where it ends.

    Raises:
        IndexError: There are fewer bytes than numbers.
        ValueError: The bytes are no such column.
    """
    read, at = unpack_ints(body, at, len(near))
    points = more(read, near)
    if decimals == NO_GRID:
        points = [wrapped(each) for each in points]
        return points, floats(points), at
    off, at = unpack_ints(body, at, len(near))
    return points, from_grid(points, off, decimals), at


def trapezoids(last: Sequence[float], covered_us: Sequence[int]) -> list[float]:
    """Return what each second would come to if it had one interval from the last.

    Args:
        last: The newest value of each second.
        covered_us: Its counted time, microseconds.
    """
    before = [last[0], *last[:-1]] if last else []
    return [
        (earlier + later) * 0.5 * us / US_PER_S
        for earlier, later, us in zip(before, last, covered_us, strict=True)
    ]


def pack_expected(found: Sequence[float], expected: Sequence[float]) -> bytes:
    """Return a column as what in it is other than expected.

    Args:
        found: Finite floats.
        expected: A finite float beside each.
    """
    # Compared bit by bit: -0.0 equals 0.0.
    is_other = [int(a != b) for a, b in zip(ranks(found), ranks(expected), strict=True)]
    others = [value for value, other in zip(found, is_other, strict=True) if other]
    near = [value for value, other in zip(expected, is_other, strict=True) if other]
    decimals = grid(others)
    if decimals is None or not has_room(near, decimals):
        decimals = NO_GRID
    head = pack_ints(is_other) + bytes([decimals])
    return head + pack_near(others, decimals, _anchor(near, decimals))[1]


def read_expected(
    body: bytes, at: int, expected: Sequence[float]
) -> tuple[list[float], int]:
    """Return such a column, and where it ends.

    Raises:
        IndexError: There are fewer bytes than numbers.
        ValueError: The bytes are no such column.
    """
    is_other, at = unpack_ints(body, at, len(expected))
    decimals = body[at]
    near = [value for value, other in zip(expected, is_other, strict=True) if other]
    anchor = _anchor(near, decimals)
    _, others, at = read_near(body, at + 1, anchor, decimals)
    left = iter(others)
    column = [
        next(left) if other else value
        for value, other in zip(expected, is_other, strict=True)
    ]
    return column, at


def _anchor(near: Sequence[float], decimals: int) -> list[int]:
    return ranks(near) if decimals == NO_GRID else on_grid(near, decimals)
