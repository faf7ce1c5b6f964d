"""The flight recorder's blocks: what came in, exactly as it was stamped.

Knows bytes, no meaning. A block names its own buses and ports, so that it can be read
without anything else.
"""

import json
import struct
import zlib
from collections.abc import Iterable, Sequence
from typing import assert_never

from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.store.packed import DamagedRowError

FORMAT = 2
"""First byte of every block. Form 1 is the same without beats and entries."""

EXTENDED = 1 << 31
ITEMS_PER_BLOCK = 2048
"""Half a second of a full 500 kbit/s bus; more gains little in size."""

_HEAD = struct.Struct("<BHqq")
_ITEM = struct.Struct("<HqqIH")
_FRAME, _LINE, _BEAT, _ENTRY = b"f", b"l", b"b", b"e"


def pack_block(items: Sequence[Raw]) -> bytes:
    """Return frames, lines, beats and entries as one compressed block.

    Args:
        items: At least one and at most ITEMS_PER_BLOCK, in order of arrival; the name
            of a bus or port has at most 255 bytes, the text of an entry 10,000.
    """
    sources: dict[tuple[bytes, str], int] = {}
    first = items[0]
    body = bytearray()
    for item in items:
        source, can_id, data = _parts(item)
        body += _ITEM.pack(
            sources.setdefault(source, len(sources)),
            item.t_us - first.t_us,
            item.seq - first.seq,
            can_id,
            len(data),
        )
        body += data
    head = bytearray(_HEAD.pack(FORMAT, len(sources), first.t_us, first.seq))
    for kind, name in sources:
        encoded = name.encode()
        head += kind + bytes([len(encoded)]) + encoded
    return zlib.compress(bytes(head + body), 6)


def _parts(item: Raw) -> tuple[tuple[bytes, str], int, bytes]:
    """Return the source, the identifier with its flag, and the bytes of one item."""
    match item:
        case Frame():
            can_id = item.can_id | (EXTENDED if item.is_extended else 0)
            return (_FRAME, item.bus), can_id, item.data
        case Line():
            return (_LINE, item.port), 0, item.data
        case Beat():
            return (_BEAT, ""), 0, b""
        case Entry():
            told = {"number": item.number, "text": item.text, "value": item.value}
            told |= {"kind": item.kind, "channel": item.channel}
            return (_ENTRY, ""), 0, json.dumps(told).encode()
        case _:
            assert_never(item)


def unpack_block(block: bytes) -> list[Raw]:
    """Return the frames and lines of a block, in their order.

    Raises:
        DamagedRowError: The bytes are not such a block.
    """
    try:
        return _unpack(zlib.decompress(block))
    except DamagedRowError:
        raise
    except (zlib.error, struct.error, LookupError, TypeError, ValueError) as err:
        raise DamagedRowError("not a block of frames and lines") from err


def _unpack(body: bytes) -> list[Raw]:
    form, count, first_us, first_seq = _HEAD.unpack_from(body)
    if not 1 <= form <= FORMAT:
        raise DamagedRowError(f"a block of form {form}")
    at = _HEAD.size
    sources: list[tuple[bytes, str]] = []
    for _ in range(count):
        size = body[at + 1]
        name = body[at + 2 : at + 2 + size].decode()
        sources.append((body[at : at + 1], name))
        at += 2 + size
    items: list[Raw] = []
    while at < len(body):
        number, since_us, since_seq, can_id, size = _ITEM.unpack_from(body, at)
        at += _ITEM.size
        data = body[at : at + size]
        at += size
        kind, name = sources[number]
        t_us, seq = first_us + since_us, first_seq + since_seq
        items.append(_item(kind, name, t_us, seq, can_id, data))
    return items


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
