"""CAN logs in bytes, read by python-can: BLF, and MF4 with the extra of that name."""

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

import can
from can.io.blf import OBJ_HEADER_BASE_STRUCT, BLFParseError, BLFReader
from can.io.mf4 import MF4Reader

from logger.errors import RecordingError
from replay.formats.reading import BREAKS, Damage, Progress, break_note, opened_bytes

BLF_MAGIC = b"LOGG"
MDF_MAGIC = b"MDF     "

UNREADABLE = (
    BLFParseError, struct.error, zlib.error, ValueError, IndexError, KeyError,
    OverflowError, OSError, *BREAKS,
)  # fmt: skip
"""What python-can's readers of bytes raise at damage (4.6.1, seen)."""

SMALLEST_OBJECT = OBJ_HEADER_BASE_STRUCT.size


class _FiniteReader(BLFReader):
    """python-can's reader never gets past an object that says it is empty (4.6.1)."""

    def _parse_data(self, data: bytes) -> Iterator[can.Message]:
        pos = 0
        while (pos := data.find(b"LOBJ", pos, pos + 8)) >= 0:
            if pos + SMALLEST_OBJECT > len(data):
                break
            size = OBJ_HEADER_BASE_STRUCT.unpack_from(data, pos)[3]
            if size < SMALLEST_OBJECT:
                yield from super()._parse_data(data[:pos])
                raise BLFParseError("an object without a length")
            pos += size
        yield from super()._parse_data(data)


class _CountedBytes:
    """An open file that python-can may close, and knows how much was taken."""

    def __init__(self, binary: BinaryIO) -> None:
        self.count = 0
        self._binary = binary

    def read(self, size: int = -1) -> bytes:
        data = self._binary.read(size)
        self.count += len(data)
        return data

    def write(self, data: bytes) -> int:
        """Never called; python-can takes what has it for a file."""
        raise NotImplementedError

    def close(self) -> None:
        """The file is closed by whoever opened it."""


def blf_messages(
    path: Path, progress: Progress, damage: Damage
) -> Iterator[can.Message]:
    """Yield the messages of a BLF log, up to where it is damaged."""
    with opened_bytes(path, progress) as binary:
        counted = _CountedBytes(binary)
        try:
            reader = _FiniteReader(cast(BinaryIO, counted))
            yield from reader
        except UNREADABLE as err:
            why = err if str(err) else BLFParseError("no object where one should be")
            damage.notes.append(break_note(why))
            return
        if counted.count < reader.file_size:
            damage.notes.append(
                f"The file breaks off: {counted.count} of {reader.file_size} bytes."
            )


def mf4_messages(
    path: Path, progress: Progress, damage: Damage
) -> Iterator[can.Message]:
    """Yield the CAN messages of an MF4 measurement.

    Raises:
        RecordingError: The library for it is not installed, or it is damaged.
    """
    del damage
    with opened_bytes(path, progress) as binary:
        try:
            # Of an open file the library takes a copy in memory; of a path it would
            # leave the file open (asammdf 8.8, seen).
            with MF4Reader(binary) as reader:
                yield from reader
        except NotImplementedError as err:
            raise RecordingError(
                where=str(path),
                saw="an MF4 measurement, and no library that reads it",
                fix='Install it: pip install "ampledger[mf4]".',
            ) from err
        except Exception as err:
            # The library raises whatever its innards meet in a damaged file.
            raise RecordingError(
                where=str(path),
                saw=f"an MF4 measurement that cannot be read ({err})",
                fix="Save it anew, or as another kind of log.",
            ) from err
