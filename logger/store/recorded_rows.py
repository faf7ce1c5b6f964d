"""Blocks of the flight recorder as earlier versions wrote them: item after item.

Read for ever, written no more.
"""

import json
import struct

from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.store.packed import DamagedRowError

FORMS = (1, 2)
"""First bytes of such blocks. Form 1 is the same without beats and entries."""

_EXTENDED = 1 << 31

_HEAD = struct.Struct("<BHqq")
_ITEM = struct.Struct("<HqqIH")
_FRAME, _LINE, _BEAT, _ENTRY = b"f", b"l", b"b", b"e"


def unpack_rows(body: bytes) -> list[Raw]:
    """Return the items of an inflated block of form 1 or 2, in their order.

    Raises:
        ValueError, LookupError, TypeError, struct.error: It is none.
    """
    _, count, first_us, first_seq = _HEAD.unpack_from(body)
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
        is_extended = bool(can_id & _EXTENDED)
        return Frame(t_us, seq, name, can_id & ~_EXTENDED, is_extended, data)
    if kind == _LINE:
        return Line(t_us, seq, name, data)
    if kind == _BEAT:
        return Beat(t_us, seq)
    if kind == _ENTRY:
        return Entry(t_us, seq, **json.loads(data))
    raise DamagedRowError(f"an item of kind {kind!r}")
