"""Where the values of a message lie in its payload, as plain data.

Made from what cantools read, once; the live unpacker (`unpacking`) and the bulk one of
the replay are both built from it, so that they cannot differ in what they believe.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from cantools.database.can import Message, Signal

BITS_PER_BYTE = 8

FLOAT_BITS = (16, 32, 64)
"""The IEEE 754 widths; a float of any other width can be described but not read."""

DEEPEST_SELECTION = 5
"""Selectors within the choice of a selector. Real descriptions have two or three; past
this an unpacker may be nested deeper than Python compiles."""


class LayoutError(ValueError):
    """A message that no unpacker can be made for, in the reader's words."""


class Absence(Enum):
    """Which raw values of a description say that there is no value.

    DESCRIBED: None; every bit pattern is a value.
    J1939: The error and not-available ranges of SAE J1939-71: of one, two or four bytes
        all from FE in the highest byte on (FEh, FE00h, FE000000h), of two and four bits
        the two highest codes. Other widths: common practice, no source: of whole bytes
        the same, otherwise all ones alone.
    HIGHEST: Only the highest code, and from four bits on the one below it, as where a
        whole range would take values away that are in use. Common practice, no source.

    Of a signed value it is the highest positive code and the one below it (7FFFh and
    7FFEh of 16 bits), whichever of the two is asked for: all ones is -1 there. Common
    practice, no source. A single bit and a float always are values.
    """

    DESCRIBED = "described"
    J1939 = "j1939"
    HIGHEST = "highest"


@dataclass(frozen=True, slots=True)
class Field:
    """One value in a payload.

    Attributes:
        slot: Its place among the decoded values of its message.
        first: First byte that holds a part of it, from 0.
        last: Last byte that does.
        shift: Bits below it in the number that those bytes make.
        length: Its bits.
        is_big: True where the first byte is the highest (Motorola).
        is_signed: True for two's complement.
        is_float: True for IEEE 754.
        scale: What the raw number is multiplied with.
        offset: What is added then.
        absent_from: The lowest raw number that says "no value", if any.
    """

    slot: int
    first: int
    last: int
    shift: int
    length: int
    is_big: bool
    is_signed: bool
    is_float: bool
    scale: float
    offset: float
    absent_from: int | None

    @property
    def lowest_raw(self) -> int:
        """The lowest whole number that its bits can say."""
        return -(1 << self.length - 1) if self.is_signed else 0

    @property
    def highest_raw(self) -> int:
        """The highest whole number that its bits can say."""
        return (1 << self.length - self.is_signed) - 1

    @property
    def is_readable(self) -> bool:
        """False where it has a width that no float has; its payload is refused."""
        return not self.is_float or self.length in FLOAT_BITS

    @property
    def is_plain(self) -> bool:
        """True where the raw number is the value."""
        return self.scale == 1 and self.offset == 0

    @property
    def is_whole(self) -> bool:
        """True where the value is a whole number, whatever its bits."""
        return not self.is_float and _is_whole(self.scale) and _is_whole(self.offset)

    @property
    def is_always_finite(self) -> bool:
        """True where no bits make it infinite or no number."""
        if self.is_float:
            return False
        if self.is_whole:
            return True
        try:
            ends = [
                raw * self.scale + self.offset
                for raw in (self.lowest_raw, self.highest_raw)
            ]
        except OverflowError:
            return False
        return all(math.isfinite(end) for end in ends)


@dataclass(frozen=True, slots=True)
class Case:
    """What a payload holds while its selector is within two bounds, both included."""

    low: int
    high: int
    node: "Node"


@dataclass(frozen=True, slots=True)
class Switch:
    """A selector and its cases, lowest first; outside of all a payload is refused."""

    selector: Field
    cases: tuple[Case, ...]


@dataclass(frozen=True, slots=True)
class Node:
    """Values that are there together, and the selectors among them."""

    fields: tuple[Field, ...]
    switches: tuple[Switch, ...]

    def walk(self) -> Iterator[Field]:
        """Yield every field of this node and below, some more than once."""
        yield from self.fields
        for switch in self.switches:
            for case in switch.cases:
                yield from case.node.walk()


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything that an unpacker of one message is made from.

    Attributes:
        length: Bytes of a payload.
        slots: For each value that is decoded, the slot of its field. They count up,
            but where signals of different choices have the same name, each of them
            has the value of the one that is there, as cantools tells it.
        root: What every payload holds.
    """

    length: int
    slots: tuple[int, ...]
    root: Node


def layout_of(message: Message, absence: Absence = Absence.DESCRIBED) -> Layout:
    """Return the layout of a message that cantools read.

    Args:
        message: The message; its signals' order is that of the decoded values.
        absence: Which raw values say that there is no value.

    Raises:
        LayoutError: Selectors lie within the choices of others too deep.
    """
    first: dict[str, int] = {}
    slots = tuple(
        first.setdefault(signal.name, slot)
        for slot, signal in enumerate(message.signals)
    )
    below: dict[str | None, list[_Placed]] = {}
    for slot, signal in zip(slots, message.signals, strict=True):
        numbers = frozenset(signal.multiplexer_ids or ())
        placed = _Placed(signal, _field(slot, signal, absence), numbers)
        below.setdefault(signal.multiplexer_signal, []).append(placed)
    return Layout(message.length, slots, _node(below, below.get(None, []), 0))


@dataclass(frozen=True, slots=True)
class _Placed:
    """A signal, its field, and the numbers that select it."""

    signal: Signal
    field: Field
    numbers: frozenset[int]


def _node(
    below: Mapping[str | None, Sequence[_Placed]], own: Sequence[_Placed], depth: int
) -> Node:
    """Return the node of some signals, with what they select.

    Args:
        below: Signals by the name of what selects them.
        own: Those of this node.
        depth: How many selectors were asked on the way to it.
    """
    if depth > DEEPEST_SELECTION:
        raise LayoutError("selectors within selectors, too deep to be read")
    switches = []
    for placed in own:
        if not placed.signal.is_multiplexer:
            continue
        selectable = below.get(placed.signal.name, [])
        # A named value is one of the choices even if there is nothing with it.
        numbers = set(placed.signal.choices or ())
        numbers = numbers.union(*(each.numbers for each in selectable))
        cases = {}
        for number in sorted(numbers):
            there = [each for each in selectable if number in each.numbers]
            cases[number] = _node(below, there, depth + 1)
        if cases:
            switches.append(Switch(placed.field, _joined(cases)))
    return Node(tuple(each.field for each in own), tuple(switches))


def _joined(nodes: Mapping[int, Node]) -> tuple[Case, ...]:
    """Join neighbouring numbers that select the same; there may be thousands."""
    cases: list[Case] = []
    for number, node in nodes.items():
        if cases and cases[-1].high == number - 1 and cases[-1].node == node:
            cases[-1] = Case(cases[-1].low, number, node)
        else:
            cases.append(Case(number, number, node))
    return tuple(cases)


def _field(slot: int, signal: Signal, absence: Absence) -> Field:
    is_big = signal.byte_order == "big_endian"
    # Intel: `start` is the lowest bit, counted upwards. Motorola: it is the highest,
    # bits numbered 7 to 0 in each byte; turned round here, so that it counts upwards.
    begin = signal.start ^ 7 if is_big else signal.start
    end = begin + signal.length
    last = (end - 1) // BITS_PER_BYTE
    return Field(
        slot=slot,
        first=begin // BITS_PER_BYTE,
        last=last,
        shift=(last + 1) * BITS_PER_BYTE - end if is_big else begin % BITS_PER_BYTE,
        length=signal.length,
        is_big=is_big,
        is_signed=signal.is_signed,
        is_float=signal.conversion.is_float,
        scale=signal.conversion.scale,
        offset=signal.conversion.offset,
        absent_from=_absent_from(signal, absence),
    )


def _absent_from(signal: Signal, absence: Absence) -> int | None:
    bits = signal.length
    if absence is Absence.DESCRIBED or bits == 1 or signal.conversion.is_float:
        return None
    highest = (1 << bits - signal.is_signed) - 1
    if signal.is_signed:
        return highest - 1 if bits >= 4 else highest
    if absence is Absence.J1939 and bits % BITS_PER_BYTE == 0:
        return 0xFE << bits - BITS_PER_BYTE
    has_two = bits in (2, 4) if absence is Absence.J1939 else bits >= 4
    return highest - 1 if has_two else highest


def _is_whole(number: float) -> bool:
    return float(number).is_integer() if isinstance(number, float) else True
