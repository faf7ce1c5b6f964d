"""The flight recorder's blocks: what came in, exactly as it was stamped.

Items of one source and identifier look much alike, so a block holds them column by
column: their order, times and numbers, then for each kind its bytes, place by place, as
differences from one item to the next. Knows bytes, no meaning. A block names its own
buses and ports, so that it can be read without anything else.
"""

import json
import struct
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, pairwise
from typing import assert_never

from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.store.columns import pack_ints, unpack_ints
from logger.store.packed import DamagedRowError
from logger.store.recorded_rows import FORMS, unpack_rows

FORMAT = 3
"""First byte of every block that is written."""

EXTENDED = 1 << 31
ITEMS_PER_BLOCK = 2048
"""Half a second of a full 500 kbit/s bus; more gains little in size."""

_FRAME, _LINE, _BEAT, _ENTRY = b"f", b"l", b"b", b"e"

Kind = tuple[bytes, str, int]
"""What an item is: kind, bus or port, identifier with its flag."""


def pack_block(items: Sequence[Raw]) -> bytes:
    """Return frames, lines, beats and entries as one compressed block.

    Args:
        items: At least one, in order of arrival; the name of a bus or port has at most
            255 bytes.
    """
    kinds: dict[Kind, int] = {}
    order: list[int] = []
    data: list[list[bytes]] = []
    for item in items:
        kind, own = _parts(item)
        number = kinds.setdefault(kind, len(kinds))
        if number == len(data):
            data.append([])
        order.append(number)
        data[number].append(own)
    body = bytearray([FORMAT])
    body += pack_ints([len(items), len(kinds)])
    for letter, name, _ in kinds:
        encoded = name.encode()
        body += letter + bytes([len(encoded)]) + encoded
    body += pack_ints([can_id for _, _, can_id in kinds])
    body += pack_ints(order)
    body += pack_ints([item.t_us for item in items])
    body += pack_ints([item.seq for item in items])
    for own_data in data:
        body += _pack_data(own_data)
    return zlib.compress(bytes(body), 6)


def _parts(item: Raw) -> tuple[Kind, bytes]:
    match item:
        case Frame():
            can_id = item.can_id | (EXTENDED if item.is_extended else 0)
            return (_FRAME, item.bus, can_id), item.data
        case Line():
            return (_LINE, item.port, 0), item.data
        case Beat():
            return (_BEAT, "", 0), b""
        case Entry():
            told = {"number": item.number, "text": item.text, "value": item.value}
            told |= {"kind": item.kind, "channel": item.channel}
            return (_ENTRY, "", 0), json.dumps(told).encode()
        case _:
            assert_never(item)


def _pack_data(data: Sequence[bytes]) -> bytes:
    sizes = [len(each) for each in data]
    flat = b"".join(data)
    if len(set(sizes)) == 1:
        flat = b"".join(_steps(flat[place :: sizes[0]]) for place in range(sizes[0]))
    return pack_ints(sizes) + flat


def _steps(column: bytes) -> bytes:
    """Return bytes as differences, going round at 256."""
    steps = [(later - earlier) & 0xFF for earlier, later in pairwise(column)]
    return column[:1] + bytes(steps)


def _sums(steps: bytes) -> bytes:
    return bytes([each & 0xFF for each in accumulate(steps)])


def unpack_block(block: bytes) -> list[Raw]:
    """Return the frames and lines of a block of any form, in their order.

    Raises:
        DamagedRowError: The bytes are not such a block.
    """
    try:
        body = zlib.decompress(block)
        form = body[0]
        if form in FORMS:
            return unpack_rows(body)
        if form == FORMAT:
            return _unpack(body)
    except DamagedRowError:
        raise
    except (
        zlib.error, struct.error, LookupError, TypeError, ValueError, OverflowError,
    ) as err:  # fmt: skip
        raise DamagedRowError("not a block of frames and lines") from err
    raise DamagedRowError(f"a block of form {form}")


def _unpack(body: bytes) -> list[Raw]:
    (count, kind_count), at = unpack_ints(body, 1, 2)
    if not 0 <= kind_count <= count <= len(body) << 16:
        raise ValueError("more items than bytes can tell")
    names = []
    for _ in range(kind_count):
        size = body[at + 1]
        names.append((body[at : at + 1], body[at + 2 : at + 2 + size].decode()))
        at += 2 + size
    can_ids, at = unpack_ints(body, at, kind_count)
    order, at = unpack_ints(body, at, count)
    times, at = unpack_ints(body, at, count)
    seqs, at = unpack_ints(body, at, count)
    counts = Counter(order)
    data: list[Iterator[bytes]] = []
    for number in range(kind_count):
        found, at = _unpack_data(body, at, counts[number])
        data.append(iter(found))
    return [
        _item(*names[number], t_us, seq, can_ids[number], next(data[number]))
        for number, t_us, seq in zip(order, times, seqs, strict=True)
    ]


def _unpack_data(body: bytes, at: int, count: int) -> tuple[list[bytes], int]:
    sizes, at = unpack_ints(body, at, count)
    end = at + sum(sizes)
    flat = body[at:end]
    if len(flat) < end - at or min(sizes, default=0) < 0:
        raise ValueError("a block that is cut short")
    if len(set(sizes)) == 1:
        size = sizes[0]
        columns = [_sums(flat[i * count : (i + 1) * count]) for i in range(size)]
        rows = zip(*columns, strict=True)
        return [bytes(row) for row in rows] if size else [b""] * count, end
    ends = list(accumulate(sizes))
    starts = [stop - size for stop, size in zip(ends, sizes, strict=True)]
    return [flat[a:b] for a, b in zip(starts, ends, strict=True)], end


def _item(kind: bytes, name: str, t_us: int, seq: int, can_id: int, data: bytes) -> Raw:
    if kind == _FRAME:
        is_extended = bool(can_id & EXTENDED)
        return Frame(t_us, seq, name, can_id & ~EXTENDED, is_extended, data)
    if kind == _LINE:
        return Line(t_us, seq, name, data)
    if kind == _BEAT:
        return Beat(t_us, seq)
    if kind == _ENTRY:
        return Entry(t_us, seq, **json.loads(data))
    raise DamagedRowError(f"an item of kind {kind!r}")


def blocks(items: Iterable[Raw]) -> list[list[Raw]]:
    """Return items cut into stretches of at most ITEMS_PER_BLOCK, in their order."""
    cut: list[list[Raw]] = []
    for item in items:
        if not cut or len(cut[-1]) == ITEMS_PER_BLOCK:
            cut.append([])
        cut[-1].append(item)
    return cut
