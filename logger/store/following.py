"""Channels that were worked out from others, told by how they differ from that.

Most of what was worked out comes out again to the bit from the seconds of what it was
worked out from; the rest is kept as it was. Nothing is assumed: where the seconds say
otherwise, they win, and cost room. Knows numbers, no names and no tables.
"""

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.core.scaling import rounded, scaled
from logger.core.tick import Cell
from logger.store.expected import pack_expected, read_expected, trapezoids

_HEAD = struct.Struct("<dB")
_CLIPPED, _HELD_BEFORE = 1, 2


@dataclass(frozen=True, slots=True)
class Following:
    """How one channel follows from another.

    Attributes:
        trigger: Number of the channel whose samples set the pace.
        held: Number of the channel that it is multiplied by, or None.
        factor: What it is multiplied by beside that.
        is_clipped: True where negative results count as 0.
    """

    trigger: int
    held: int | None = None
    factor: float = 1.0
    is_clipped: bool = False

    @property
    def leads(self) -> tuple[int, ...]:
        """What has to be read before it."""
        return (self.trigger,) if self.held is None else (self.trigger, self.held)


@dataclass(frozen=True, slots=True)
class _Rule:
    """One way that the seconds of a channel may come out of those it follows.

    Attributes:
        factor: What they are multiplied by.
        is_clipped: True where negative results count as 0.
        is_before: True where the held channel's second before counts: it was heard
            after the trigger.
    """

    factor: float
    is_clipped: bool
    is_before: bool = False

    def cells(self, trigger: Sequence[Cell], *held: Sequence[Cell]) -> Iterator[Cell]:
        """Yield what is to be expected, second by second; some may be infinite."""
        if held:
            by = [cell.last for cell in held[0]]
            if self.is_before:
                by = [by[0], *by[:-1]]
            for cell, other in zip(trigger, by, strict=True):
                yield self._clipped(_times(cell, other))
        elif abs(self.factor) == 1.0:
            for cell in trigger:
                yield self._clipped(_times(cell, self.factor))
        else:
            for cell in trigger:
                yield self._clipped(scaled(cell, self.factor))

    def _clipped(self, cell: Cell) -> Cell:
        low, high = min(cell.low, cell.high), max(cell.low, cell.high)
        values = (low, high, cell.last, cell.integral)
        if self.is_clipped:
            values = (max(0.0, low), max(0.0, high), max(0.0, cell.last),
                      max(0.0, cell.integral))  # fmt: skip
        return Cell(cell.n, *values, cell.covered_us)


def _times(cell: Cell, by: float) -> Cell:
    values = (cell.low * by, cell.high * by, cell.last * by, cell.integral * by)
    return Cell(cell.n, *values, cell.covered_us)


def pack_following(
    cells: Sequence[Cell],
    following: Following,
    leads: Sequence[Sequence[Cell]],
) -> bytes | None:
    """Return the seconds of a channel, told from those that it follows.

    Args:
        cells: The channel's, at least one.
        following: How it follows.
        leads: Of the channels that it follows, the trigger's first, one beside each.

    Returns:
        The bytes, None where nothing finite is to be expected.
    """
    rules = list(_rules(cells, following, leads[0]))
    try:
        expected = [list(rule.cells(*leads)) for rule in rules]
    except OverflowError:
        return None
    place = max(range(len(rules)), key=lambda each: _hits(cells, expected[each]))
    rule, found = rules[place], expected[place]
    if not all(_is_finite(cell) for cell in found):
        return None
    flags = _CLIPPED * rule.is_clipped + _HELD_BEFORE * rule.is_before
    body = _HEAD.pack(rule.factor, flags)
    last = [cell.last for cell in cells]
    body += pack_expected(last, [cell.last for cell in found])
    for have, want in (
        ([cell.low for cell in cells], [cell.low for cell in found]),
        ([cell.high for cell in cells], [cell.high for cell in found]),
    ):
        body += pack_expected(have, _alone(cells, last, want))
    integrals = _integrals(found, last, len(leads) > 1)
    return body + pack_expected([cell.integral for cell in cells], integrals)


def read_following(body: bytes, at: int, leads: Sequence[Sequence[Cell]]) -> list[Cell]:
    """Return the seconds of a channel from such bytes and from what it follows.

    Args:
        body: The bytes, somewhere in others.
        at: Where they begin.
        leads: As given to `pack_following`.

    Raises:
        IndexError: There are fewer bytes than numbers.
        ValueError: The bytes are no such seconds.
        struct.error: There are next to no bytes.
    """
    factor, flags = _HEAD.unpack_from(body, at)
    rule = _Rule(factor, bool(flags & _CLIPPED), bool(flags & _HELD_BEFORE))
    found = list(rule.cells(*leads))
    last, at = read_expected(body, at + _HEAD.size, [cell.last for cell in found])
    want = _alone(found, last, [cell.low for cell in found])
    low, at = read_expected(body, at, want)
    want = _alone(found, last, [cell.high for cell in found])
    high, at = read_expected(body, at, want)
    integrals = _integrals(found, last, len(leads) > 1)
    integral, at = read_expected(body, at, integrals)
    ns = [cell.n for cell in found]
    covered_us = [cell.covered_us for cell in found]
    columns = zip(ns, low, high, last, integral, covered_us, strict=True)
    return [Cell(*row) for row in columns]


def _rules(
    cells: Sequence[Cell], following: Following, trigger: Sequence[Cell]
) -> Iterator[_Rule]:
    """Yield what may be the rule: the factor of a setting is told by the values."""
    if following.held is not None:
        yield _Rule(1.0, following.is_clipped)
        yield _Rule(1.0, following.is_clipped, is_before=True)
        return
    if abs(following.factor) == 1.0:
        yield _Rule(following.factor, following.is_clipped)
        return
    largest = max(range(len(cells)), key=lambda place: abs(cells[place].last))
    by = rounded(trigger[largest].last)
    factor = cells[largest].last / by if by else 0.0
    for each in (factor, math.nextafter(factor, 0.0), math.nextafter(factor, math.inf)):
        yield _Rule(each, following.is_clipped)


def _hits(cells: Sequence[Cell], expected: Sequence[Cell]) -> int:
    return sum(a.last == b.last for a, b in zip(cells, expected, strict=True))


def _is_finite(cell: Cell) -> bool:
    return all(map(math.isfinite, (cell.low, cell.high, cell.last, cell.integral)))


def _alone(
    cells: Sequence[Cell], last: Sequence[float], expected: Sequence[float]
) -> list[float]:
    """Return what is expected of lowest or highest: of one sample it is that sample."""
    return [
        newest if cell.n == 1 else value
        for cell, newest, value in zip(cells, last, expected, strict=True)
    ]


def _integrals(
    expected: Sequence[Cell], last: Sequence[float], is_product: bool
) -> list[float]:
    """Return what each second is expected to come to.

    A product changes between two samples as its own newest values say; anything else is
    its trigger's integral, scaled.
    """
    if not is_product:
        return [cell.integral for cell in expected]
    between = trapezoids(last, [cell.covered_us for cell in expected])
    return [
        value if cell.n == 1 else cell.integral
        for cell, value in zip(expected, between, strict=True)
    ]
