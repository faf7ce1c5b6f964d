"""One second of every channel as one packed row.

Columns within the row: header, channel numbers, sample counts, newest values; then, for
the channels with more than one sample or an interval, lowest, highest, integral and
covered time. Little-endian, lossless, compressed. Knows numbers, no names.
"""

import struct
import zlib
from collections.abc import Mapping, Sequence

from logger.core.tick import Cell

FORMAT = 1
"""First byte of every packed row; a later form gets another number."""

_HEAD = struct.Struct("<BqqHH")
COMPRESSION_LEVEL = 1
"""More costs time in the hot path and saves little on rows of a few hundred bytes."""


class DamagedRowError(ValueError):
    """A packed row or block that cannot be read."""


def pack(first_us: int, last_us: int, cells: Sequence[tuple[int, Cell]]) -> bytes:
    """Return one second as bytes.

    Args:
        first_us: First sample, microseconds since the run's zero.
        last_us: Newest sample, microseconds since the run's zero.
        cells: Channel number and cell, at most 65,535.
    """
    wide = [pair for pair in cells if _is_wide(pair[1])]
    narrow = [pair for pair in cells if not _is_wide(pair[1])]
    ordered = wide + narrow
    body = b"".join(
        (
            _HEAD.pack(FORMAT, first_us, last_us, len(ordered), len(wide)),
            struct.pack(f"<{len(ordered)}I", *(number for number, _ in ordered)),
            struct.pack(f"<{len(ordered)}I", *(cell.n for _, cell in ordered)),
            struct.pack(f"<{len(ordered)}d", *(cell.last for _, cell in ordered)),
            struct.pack(f"<{len(wide)}d", *(cell.low for _, cell in wide)),
            struct.pack(f"<{len(wide)}d", *(cell.high for _, cell in wide)),
            struct.pack(f"<{len(wide)}d", *(cell.integral for _, cell in wide)),
            struct.pack(f"<{len(wide)}q", *(cell.covered_us for _, cell in wide)),
        )
    )
    return zlib.compress(body, COMPRESSION_LEVEL)


def _is_wide(cell: Cell) -> bool:
    is_plain = cell.n == 1 and cell.covered_us == 0
    return not (is_plain and cell.low == cell.high == cell.last)


def unpack(packed: bytes) -> tuple[int, int, Mapping[int, Cell]]:
    """Return first and newest time, and the cells by channel number.

    Raises:
        DamagedRowError: The bytes are not a packed row of a known form.
    """
    try:
        body = zlib.decompress(packed)
        form, first_us, last_us, count, wide = _HEAD.unpack_from(body)
    except (zlib.error, struct.error) as err:
        raise DamagedRowError("not a packed row") from err
    if form != FORMAT or len(body) != _HEAD.size + 16 * count + 32 * wide:
        raise DamagedRowError(f"a packed row of form {form}")
    rest = struct.unpack_from(
        f"<{count}I{count}I{count}d{wide}d{wide}d{wide}d{wide}q", body, _HEAD.size
    )
    numbers, ns, lasts = rest[:count], rest[count : 2 * count], rest[2 * count :]
    lows, highs = rest[3 * count :], rest[3 * count + wide :]
    integrals, covered = rest[3 * count + 2 * wide :], rest[3 * count + 3 * wide :]
    cells = {}
    for i, number in enumerate(numbers):
        if i < wide:
            values = (lows[i], highs[i], lasts[i], integrals[i], covered[i])
            cells[number] = Cell(ns[i], *values)
        else:
            cells[number] = Cell(ns[i], lasts[i], lasts[i], lasts[i])
    return first_us, last_us, cells
