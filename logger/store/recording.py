"""The flight recorder's blocks: frames and lines, exactly as they were stamped.

Knows bytes, no meaning. A block names its own buses and ports, so that it can be read
without anything else.
"""

import struct
import zlib
from collections.abc import Iterable, Sequence

from logger.decode.frames import Frame, Line
from logger.store.packed import DamagedRowError

Raw = Frame | Line

FORMAT = 1
EXTENDED = 1 << 31
ITEMS_PER_BLOCK = 2048
"""Half a second of a full 500 kbit/s bus; more gains little in size."""

_HEAD = struct.Struct("<BHqq")
_ITEM = struct.Struct("<HqqIH")
_FRAME, _LINE = b"f", b"l"


def pack_block(items: Sequence[Raw]) -> bytes:
    """Return frames and lines as one compressed block.

    Args:
        items: At least one and at most ITEMS_PER_BLOCK, in order of arrival; the name
            of a bus or port has at most 255 bytes.
    """
    sources: dict[tuple[bytes, str], int] = {}
    first = items[0]
    body = bytearray()
    for item in items:
        if isinstance(item, Frame):
            source = (_FRAME, item.bus)
            can_id = item.can_id | (EXTENDED if item.is_extended else 0)
        else:
            source, can_id = (_LINE, item.port), 0
        number = sources.setdefault(source, len(sources))
        body += _ITEM.pack(
            number,
            item.t_us - first.t_us,
            item.seq - first.seq,
            can_id,
            len(item.data),
        )
        body += item.data
    head = bytearray(_HEAD.pack(FORMAT, len(sources), first.t_us, first.seq))
    for kind, name in sources:
        encoded = name.encode()
        head += kind + bytes([len(encoded)]) + encoded
    return zlib.compress(bytes(head + body), 6)


def unpack_block(block: bytes) -> list[Raw]:
    """Return the frames and lines of a block, in their order.

    Raises:
        DamagedRowError: The bytes are not such a block.
    """
    try:
        return _unpack(zlib.decompress(block))
    except (zlib.error, struct.error, IndexError, UnicodeDecodeError) as err:
        raise DamagedRowError("not a block of frames and lines") from err


def _unpack(body: bytes) -> list[Raw]:
    form, count, first_us, first_seq = _HEAD.unpack_from(body)
    if form != FORMAT:
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
        if kind == _FRAME:
            is_extended = bool(can_id & EXTENDED)
            items.append(Frame(t_us, seq, name, can_id & ~EXTENDED, is_extended, data))
        else:
            items.append(Line(t_us, seq, name, data))
    return items


def blocks(items: Iterable[Raw]) -> list[list[Raw]]:
    """Return items cut into stretches of at most ITEMS_PER_BLOCK, in their order."""
    cut: list[list[Raw]] = []
    for item in items:
        if not cut or len(cut[-1]) == ITEMS_PER_BLOCK:
            cut.append([])
        cut[-1].append(item)
    return cut
