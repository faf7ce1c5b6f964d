"""What candump shows on the screen, kept in a file: `can0  123  [8]  01 02 …`.

As a rule without time stamps; candump's own, `(seconds)`, may stand in front.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.core.tick import US_PER_S
from logger.decode.frames import Frame
from replay.formats.bus_names import named
from replay.formats.reading import Damage, Progress, lines, opened
from replay.formats.stamping import Wish, stamper
from replay.formats.timeline import Timeline, is_possible

LINE = re.compile(
    r"\s*(?:\((?P<seconds>\d{1,12}\.\d{1,9})\)\s+)?(?P<interface>\S{1,63})\s+"
    r"(?:(?:RX|TX)\s+\S+\s+)?"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(?P<length>\d{1,2})\]"
    r"(?P<rest>(?:\s+[0-9A-Fa-f]{2})*|\s+remote request)\s*(?:'.*'|ERRORFRAME)?\s*"
)


def is_screen(head: Sequence[str]) -> bool:
    """Return whether the first lines of a file are those of candump's screen."""
    return any(LINE.fullmatch(line) for line in head)


@dataclass(slots=True)
class ScreenRecording:
    """One such file.

    Args:
        path: The file, plain or gzip.
        wish: How to stamp it where it has no stamps.
        buses: Bus names by interface.
        progress: Told how far the file has been read.
    """

    path: Path
    wish: Wish
    buses: Mapping[str, str]
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Frame]:
        """Yield the data frames in the order of the file.

        Raises:
            RecordingError: It has no time stamps, and none were asked for.
        """
        with opened(self.path, "ascii", self.progress) as text:
            seq = 0
            for line in lines(text, self.damage):
                match = LINE.fullmatch(line)
                if match is None:
                    self.damage.lines += bool(line.strip())
                elif "remote" in match["rest"]:
                    self.damage.skip("remote frames")
                elif "ERRORFRAME" in line:
                    self.damage.skip("error frames")
                elif (frame := self._frame(match, timeline, seq)) is not None:
                    yield frame
                    seq += 1
        self.damage.note_skipped()

    def _frame(
        self, match: re.Match[str], timeline: Timeline, seq: int
    ) -> Frame | None:
        data = bytes.fromhex(match["rest"])
        if match["seconds"] is None:
            stamp_us = stamper(self.wish, self.path)(seq)
        else:
            stamp_us = round(float(match["seconds"]) * US_PER_S)
        if len(data) != int(match["length"]) or not is_possible(stamp_us):
            self.damage.lines += 1
            return None
        interface = match["interface"]
        return Frame(
            t_us=timeline.place(stamp_us, interface),
            seq=seq,
            bus=named(self.buses, interface),
            can_id=int(match["id"], 16),
            is_extended=len(match["id"]) > 3,
            data=data,
        )
