"""Frames as a CAN log, through python-can's writers.

Such a file has one clock and no place for serial lines. In a candump log a frame stands
under the interface of its bus in the van file, so that the same van file reads it
again. ASC, BLF and TRC number their channels: 1 is the first bus of the van file, and
so on; an interface that is in no van file gets the next number when it is first heard.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import floor
from pathlib import Path
from typing import BinaryIO, TextIO

from can import Message
from can.io.asc import ASCWriter
from can.io.blf import BLFWriter
from can.io.canutils import CanutilsLogWriter
from can.io.trc import TRCWriter

from logger.decode.frames import Beat, Frame, Raw
from logger.store.export.choice import Extract, Part
from logger.store.export.frames import raw
from logger.van.stored import stored_van, whole_buses

LONGEST_CLASSIC_BYTES = 8
"""A frame with more is a CAN FD frame; the log does not tell shorter ones apart."""


@dataclass(slots=True)
class Channels:
    """Interfaces by bus, and the numbers that ASC and BLF give them."""

    numbers: dict[str, int] = field(default_factory=dict)
    _interfaces: Mapping[str, str] = field(default_factory=dict)

    def begin(self, van_text: str) -> None:
        """Take the buses of the van file that a run was counted by."""
        buses = whole_buses(stored_van(van_text))
        self._interfaces = {bus.name: _word(bus.interface) for bus in buses}
        for interface in self._interfaces.values():
            self.number(interface)

    def interface(self, frame: Frame) -> str:
        """Return the interface that a frame came from, as one word.

        One that no van file knows stands in the log behind a question mark.
        """
        known = self._interfaces.get(frame.bus)
        return known or _word(frame.bus.removeprefix("?"))

    def number(self, interface: str) -> int:
        """Return the number of an interface, from 1."""
        return self.numbers.setdefault(interface, len(self.numbers) + 1)


@dataclass(slots=True)
class CanLog:
    """One CAN log to be written, and what cannot go into it.

    Args:
        extract: What is written; dated runs, or one without a date (see `one_clock`).
    """

    extract: Extract
    channels: Channels = field(default_factory=Channels)
    others: int = 0
    longer: int = 0

    def frames(self) -> Iterator[tuple[Part, Frame]]:
        """Yield the frames; counts what else there is, but for beats."""
        under_way: Part | None = None
        for part, item in raw(self.extract):
            if part is not under_way:
                under_way = part
                self.channels.begin(self.extract.log.van_text(part.run.id))
            if isinstance(item, Frame):
                yield part, item
            else:
                self._count(item)

    def _count(self, item: Raw) -> None:
        self.others += not isinstance(item, Beat)

    @property
    def zero_s(self) -> float:
        """A whole second before the first frame; 0 where there is no date."""
        parts = self.extract.parts
        if not parts or parts[0].run.start_us is None:
            return 0.0
        return float(floor(parts[0].run.stamp_s(max(parts[0].start_us, 0))))

    def notes(self) -> list[str]:
        """Return what of the log is not in the file, a sentence each."""
        notes = []
        if self.others:
            notes.append(
                f"Lines and entries have no place in a CAN log ({self.others} here); "
                "the format csv has them."
            )
        if self.longer:
            notes.append(
                f"Frames of more than 8 bytes have no place in a TRC log ({self.longer}"
                " here); candump, asc and blf have them."
            )
        return notes


def _word(name: str) -> str:
    """Return a name as one word, as it must stand in a line of a log."""
    return re.sub(r"\s", "_", name)


def write_candump(log: CanLog, file: TextIO) -> None:
    """Write frames as a candump log.

    Raises:
        OSError: The file takes no more.
    """
    writer = CanutilsLogWriter(file)
    for part, frame in log.frames():
        # It would move a stamp that runs back to the first one of the file; two buses
        # do run back a little.
        writer.last_timestamp = None
        writer.on_message_received(_message(part, frame, log.channels.interface(frame)))
    file.flush()


def write_asc(log: CanLog, file: TextIO) -> None:
    """Write frames as an ASC log; the file is closed at the end.

    Raises:
        OSError: The file takes no more.
    """
    writer = ASCWriter(file)
    # Begins at a whole second: it writes milliseconds without leading zeros.
    writer.log_event("Start of measurement", log.zero_s)
    told: set[int] = set()
    for part, frame in log.frames():
        interface = log.channels.interface(frame)
        number = log.channels.number(interface)
        if number not in told:
            told.add(number)
            file.write(f"// channel {number} is {interface}\n")
        writer.on_message_received(_message(part, frame, number - 1))
    writer.stop()


def write_blf(log: CanLog, file: BinaryIO) -> None:
    """Write frames as a BLF log; the file is closed at the end.

    Args:
        log: What is written.
        file: Open for writing, and can be wound back.

    Raises:
        OSError: The file takes no more.
    """
    writer = BLFWriter(file)
    writer.start_timestamp = log.zero_s
    for part, frame in log.frames():
        number = log.channels.number(log.channels.interface(frame))
        writer.on_message_received(_message(part, frame, number - 1))
    writer.stop()


def write_trc(log: CanLog, file: TextIO) -> None:
    """Write frames as a TRC log (2.1); the file is closed at the end.

    It tells frames of up to 8 bytes; longer ones are counted and left out.

    Args:
        log: What is written.
        file: A real file, open for writing; line ends become CR LF.

    Raises:
        OSError: The file takes no more.
    """
    writer = TRCWriter(file)
    # It would tell everybody which folder of which computer this is.
    writer.filepath = Path(writer.filepath).name
    writer.first_timestamp = log.zero_s
    writer.write_header(log.zero_s)
    for part, frame in log.frames():
        if len(frame.data) > LONGEST_CLASSIC_BYTES:
            log.longer += 1
            continue
        number = log.channels.number(log.channels.interface(frame))
        writer.on_message_received(_message(part, frame, number - 1))
    writer.stop()


def _message(part: Part, frame: Frame, channel: str | int) -> Message:
    return Message(
        timestamp=part.run.stamp_s(frame.t_us),
        arbitration_id=frame.can_id,
        is_extended_id=frame.is_extended,
        is_fd=len(frame.data) > LONGEST_CLASSIC_BYTES,
        dlc=len(frame.data),
        data=frame.data,
        channel=channel,
    )
