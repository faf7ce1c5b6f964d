"""CAN logs in candump form, read through python-can.

A line is `(seconds) interface identifier#data`, as written by can-utils and python-can.
Lines that are not of this form are counted and skipped before python-can sees them,
because its reader ends at the first one. Error and remote frames carry no data and are
counted apart.
"""

import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO, cast

from can.io.canutils import CanutilsLogReader

from logger.core.tick import US_PER_S
from logger.decode.frames import Frame
from replay.formats.reading import Damage, Progress, lines, opened
from replay.formats.timeline import Timeline, is_possible

LINE = re.compile(
    r"\((?P<seconds>\d{1,12}\.\d{1,9})\)\s+\S{1,63}\s+"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
    r"(?P<data>(?:[0-9A-Fa-f]{2}){0,8}|#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}){0,64}|[Rr]\d?)"
    r"(?:\s+[RTrt])?\s*"
)
ERROR_FLAG = 0x2000_0000
"""Set in the identifier of an error frame (Linux, can/error.h)."""


class _GoodLines(io.TextIOBase):
    """Hands python-can only lines that are whole frames with data."""

    def __init__(self, text: TextIO, damage: Damage) -> None:
        self._lines = lines(text, damage)
        self._damage = damage

    def readline(self, size: int = -1, /) -> str:  # type: ignore[override]
        del size
        for line in self._lines:
            if not line.strip():
                continue
            match = LINE.fullmatch(line)
            if match is None or not is_possible(_stamp_us(float(match["seconds"]))):
                self._damage.lines += 1
            elif int(match["id"], 16) & ERROR_FLAG:
                self._damage.skip("error frames")
            elif match["data"][:1] in ("R", "r"):
                self._damage.skip("remote frames")
            else:
                return line + "\n"
        return ""


def looks_like_candump(first_line: str) -> bool:
    """Return whether the first line of a file is that of a candump log."""
    return LINE.fullmatch(first_line) is not None


def _stamp_us(seconds: float) -> int:
    return round(seconds * US_PER_S)


@dataclass(slots=True)
class CandumpRecording:
    """One candump log.

    Args:
        path: The file, plain or gzip.
        buses: Bus names by interface; a frame of any other interface keeps that
            interface's name behind a question mark, which no bus can have.
        progress: Told how far the file has been read.
    """

    path: Path
    buses: Mapping[str, str]
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Frame]:
        """Yield the data frames in the order of the file."""
        with opened(self.path, "ascii", self.progress) as text:
            good = cast(TextIO, _GoodLines(text, self.damage))
            for seq, message in enumerate(CanutilsLogReader(good)):
                interface = str(message.channel)
                yield Frame(
                    t_us=timeline.place(_stamp_us(message.timestamp), interface),
                    seq=seq,
                    bus=self.buses.get(interface, f"?{interface}"),
                    can_id=message.arbitration_id,
                    is_extended=message.is_extended_id,
                    data=bytes(message.data),
                )
        self.damage.note_skipped()
