"""Many payloads of one message at once, with numpy: for recordings, never in the van.

The same layouts as the live path, and the same values to the last bit. numpy is not
among what the program needs; whoever has a long recording imports this module when it
is wanted. What numpy has no number for (more than 64 bits) goes the live way.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.decode.descriptions import DescribedMessage
from logger.decode.frames import Reason, Rejected, Values
from logger.decode.layout import BITS_PER_BYTE, Field, Layout, Node, Switch

WORD_BYTES = 8
WORD_BITS = 64
LARGEST = 2**63 - 1
EXACT_IN_A_FLOAT = 2**53

Numbers = NDArray[Any]
"""Of int64, uint64 or float64; which one follows from the field."""

Flags = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Rows = NDArray[np.intp] | slice
EVERY = slice(None)


@dataclass(frozen=True, slots=True)
class Column:
    """All values of one signal.

    Attributes:
        values: One a payload: int64, uint64 or float64, or objects where those are too
            small. Without meaning where there is none.
        is_there: Where there is a value.
    """

    values: Numbers
    is_there: Flags


@dataclass(frozen=True, slots=True)
class Unpacked:
    """What many payloads of one message came to.

    Attributes:
        payloads: What was unpacked.
        columns: One a signal, in the order of the message's signals.
        is_short: Where a payload was shorter than described.
        is_undecodable: Where a selector selected nothing.
    """

    payloads: Sequence[bytes]
    columns: tuple[Column, ...]
    is_short: Flags
    is_undecodable: Flags

    def rows(self) -> Iterator[Values | Rejected]:
        """Yield what the live path answers to each payload."""
        lists = [
            [value if there else None for value, there in pairs]
            for pairs in (
                zip(column.values.tolist(), column.is_there.tolist(), strict=True)
                for column in self.columns
            )
        ]
        values = zip(*lists, strict=True) if lists else iter([()] * len(self.payloads))
        for payload, row, is_short, is_undecodable in zip(
            self.payloads, values, self.is_short, self.is_undecodable, strict=True
        ):
            if is_short:
                yield Rejected(Reason.SHORT, payload)
            elif is_undecodable:
                yield Rejected(Reason.UNDECODABLE, payload)
            else:
                yield row


def unpack(message: DescribedMessage, payloads: Sequence[bytes]) -> Unpacked:
    """Return the values of many payloads of one message.

    Args:
        message: What the payloads are payloads of.
        payloads: In any number and of any length.
    """
    layout = message.layout
    if not all(map(_fits_numpy, layout.root.walk())):
        return _unpack_singly(message, payloads)
    length = layout.length
    is_short = np.array([len(each) < length for each in payloads], dtype=np.bool_)
    whole = b"".join(each[:length].ljust(length, b"\0") for each in payloads)
    table = np.frombuffer(whole, dtype=np.uint8).reshape(len(payloads), length)
    work = _Work(table, layout)
    rows = np.flatnonzero(~is_short) if is_short.any() else EVERY
    with np.errstate(all="ignore"):  # infinities are expected, and told as missing
        work.visit(layout.root, rows)
    if work.is_undecodable.any():
        for is_there in work.is_there:
            is_there &= ~work.is_undecodable
    columns = tuple(Column(work.values[s], work.is_there[s]) for s in layout.slots)
    return Unpacked(payloads, columns, is_short, work.is_undecodable)


class _Part:
    """Some payloads of a table, and the numbers that short ones make as a whole."""

    def __init__(self, table: Bytes) -> None:
        self.table = table
        self._words: dict[bool, NDArray[np.uint64]] = {}

    def bits(self, field: Field) -> NDArray[np.uint64]:
        """Return the field's bits as numbers from 0 up."""
        first, shift = field.first, field.shift
        if self.table.shape[1] <= WORD_BYTES:
            word = self._word(field.is_big)
            shift += 8 * (WORD_BYTES - 1 - field.last if field.is_big else first)
        else:
            word = _number(self.table[:, first : field.last + 1], field.is_big)
            shift += 8 * (WORD_BYTES - 1 - field.last + first) if field.is_big else 0
        mask = np.uint64((1 << field.length) - 1)
        return (word >> np.uint64(shift)) & mask

    def _word(self, is_big: bool) -> NDArray[np.uint64]:
        if is_big not in self._words:
            self._words[is_big] = _number(self.table, is_big)
        return self._words[is_big]


def _number(table: Bytes, is_big: bool) -> NDArray[np.uint64]:
    """Return up to eight bytes and zeros behind them, as one number a row."""
    padded = np.zeros((len(table), WORD_BYTES), np.uint8)
    padded[:, : table.shape[1]] = table
    return padded.view(">u8" if is_big else "<u8")[:, 0].astype(np.uint64)


class _Work:
    """A table of payloads, and the columns that grow out of it."""

    def __init__(self, table: Bytes, layout: Layout) -> None:
        count = len(table)
        self.table = table
        self.values: list[Numbers] = [np.zeros(count)] * len(layout.slots)
        self.is_there = [np.zeros(count, np.bool_) for _ in layout.slots]
        kinds: dict[int, set[str]] = {}
        for field in layout.root.walk():
            kinds.setdefault(field.slot, set()).add(_kind(field))
        for slot, found in kinds.items():
            # One name for a whole number here and a float there: objects keep both.
            self.values[slot] = np.zeros(count, found.pop() if len(found) == 1 else "O")
        self.is_undecodable = np.zeros(count, np.bool_)

    def visit(self, node: Node, rows: Rows) -> None:
        """Fill in what a node holds, for the rows in which it is there."""
        part = _Part(self.table[rows])
        for field in node.fields:
            raw = _raw(field, part)
            values = _scaled(field, raw)
            self.values[field.slot][rows] = values
            self.is_there[field.slot][rows] = _is_there(field, raw, values)
        for switch in node.switches:
            self._select(switch, part, rows)

    def _select(self, switch: Switch, part: _Part, rows: Rows) -> None:
        selected = _scaled(switch.selector, _raw(switch.selector, part))
        if selected.dtype == np.float64:
            selected = np.trunc(selected)
        lows = np.array([case.low for case in switch.cases])
        highs = np.array([case.high for case in switch.cases])
        places = np.searchsorted(lows, selected, side="right") - 1
        # No number and infinity are above every low, and not within any high.
        is_case = (places >= 0) & (selected <= highs[places])
        numbers = np.arange(len(self.table))[rows]
        self.is_undecodable[numbers[~is_case]] = True
        for place in np.unique(places[is_case]).tolist():
            self.visit(switch.cases[place].node, numbers[is_case & (places == place)])


def _unpack_singly(message: DescribedMessage, payloads: Sequence[bytes]) -> Unpacked:
    answers = [message.decode(each) for each in payloads]
    reasons = [each.reason if isinstance(each, Rejected) else None for each in answers]
    columns = []
    for slot in range(len(message.signals)):
        cells = [None if isinstance(each, Rejected) else each[slot] for each in answers]
        values = np.empty(len(cells), dtype=np.object_)
        values[:] = cells
        columns.append(Column(values, np.array([cell is not None for cell in cells])))
    return Unpacked(
        payloads=payloads,
        columns=tuple(columns),
        is_short=np.array([each is Reason.SHORT for each in reasons]),
        is_undecodable=np.array([each is Reason.UNDECODABLE for each in reasons]),
    )


def _fits_numpy(field: Field) -> bool:
    """Return whether every step from its bits to its value has a number in numpy."""
    if not field.is_readable:
        return False
    if (field.last + 1 - field.first) * BITS_PER_BYTE > WORD_BITS:
        return False
    if any(
        isinstance(each, int) and abs(each) > EXACT_IN_A_FLOAT
        for each in (field.scale, field.offset)
    ):
        return False
    if field.is_float or field.is_plain or not isinstance(_scale(field), int):
        return True
    ends = [raw * _scale(field) for raw in (field.lowest_raw, field.highest_raw)]
    steps = [*ends, *(end + field.offset for end in ends)]
    return all(abs(step) <= LARGEST for step in steps)


def _scale(field: Field) -> float:
    return int(field.scale) if field.is_whole else field.scale


def _kind(field: Field) -> str:
    if not field.is_float and field.is_plain:
        is_widest = field.length == WORD_BITS and not field.is_signed
        return "u8" if is_widest else "i8"
    return "i8" if field.is_whole else "f8"


def _scaled(field: Field, raw: Numbers) -> Numbers:
    """Return raw * scale + offset by the steps of the live path."""
    if field.is_plain:
        return raw
    scale = _scale(field)
    offset = int(field.offset) if field.is_whole else field.offset
    if isinstance(scale, float):
        raw = raw.astype(np.float64)
    scaled: Numbers = raw * scale + offset
    return scaled


def _is_there(field: Field, raw: Numbers, values: Numbers) -> Flags | bool:
    is_told: Flags | bool = True
    if field.absent_from is not None:
        is_told = raw < field.absent_from
    return is_told if field.is_always_finite else is_told & np.isfinite(values)


def _raw(field: Field, part: _Part) -> Numbers:
    bits = part.bits(field)
    if field.is_float:
        whole = bits.astype(f"u{field.length // BITS_PER_BYTE}")
        return whole.view(f"f{field.length // BITS_PER_BYTE}").astype(np.float64)
    if field.is_signed:
        above = WORD_BITS - field.length
        return (bits << np.uint64(above)).view(np.int64) >> np.int64(above)
    return bits if field.length == WORD_BITS else bits.view(np.int64)
