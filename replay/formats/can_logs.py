"""A CAN log as python-can reads it, whichever of its forms it has, made into frames."""

import logging
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import can

from logger.core.tick import US_PER_S
from logger.decode.frames import Frame
from replay.formats.binary_logs import blf_messages, mf4_messages
from replay.formats.bus_names import named, numbered
from replay.formats.reading import Damage, Progress
from replay.formats.text_logs import asc_messages, csv_messages, trc_messages
from replay.formats.timeline import Timeline, is_possible

# Its readers tell of every line they drop; here those are counted.
logging.getLogger("can.io").setLevel(logging.CRITICAL)

Messages = Callable[[Path, Progress, Damage], Iterator[can.Message]]


@dataclass(frozen=True, slots=True)
class Form:
    """One form of log.

    Attributes:
        name: What it is called.
        messages: Reads it.
        first: The number of its first channel, as python-can gives it.
    """

    name: str
    messages: Messages
    first: int


ASC = Form("ASC", asc_messages, 0)
TRC = Form("TRC", trc_messages, 1)
BLF = Form("BLF", blf_messages, 0)
MF4 = Form("MF4", mf4_messages, 1)
CSV = Form("CSV", csv_messages, 0)

LARGEST_ID = {False: 0x7FF, True: 0x1FFF_FFFF}
"""11 and 29 bits (ISO 11898-1)."""


@dataclass(slots=True)
class CanLogRecording:
    """One CAN log.

    Args:
        path: The file, plain or gzip.
        form: What kind of log it is.
        buses: Bus names by interface, in the order of the van file.
        progress: Told how far the file has been read.
    """

    path: Path
    form: Form
    buses: Mapping[str, str]
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Frame]:
        """Yield the data frames in the order of the file."""
        seq = 0
        for message in self.form.messages(self.path, self.progress, self.damage):
            stamp_us = self._stamp_us(message)
            if stamp_us is None:
                continue
            yield Frame(
                t_us=timeline.place(stamp_us, str(message.channel)),
                seq=seq,
                bus=self._bus(message.channel),
                can_id=message.arbitration_id,
                is_extended=message.is_extended_id,
                data=bytes(message.data),
            )
            seq += 1
        self.damage.note_skipped()

    def _stamp_us(self, message: can.Message) -> int | None:
        """Return the stamp of a frame with data; count what is none."""
        if message.is_error_frame:
            self.damage.skip("error frames")
        elif message.is_remote_frame:
            self.damage.skip("remote frames")
        elif (
            not math.isfinite(message.timestamp)
            or not is_possible(stamp_us := round(message.timestamp * US_PER_S))
            or not 0 <= message.arbitration_id <= LARGEST_ID[message.is_extended_id]
        ):
            self.damage.lines += 1
        else:
            return stamp_us
        return None

    def _bus(self, channel: int | str | Sequence[int] | None) -> str:
        if isinstance(channel, str):
            return named(self.buses, channel)
        number = channel if isinstance(channel, int) else self.form.first
        place = number - self.form.first
        return numbered(self.buses, place, f"channel {place + 1}")
