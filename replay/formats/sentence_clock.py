"""Times out of a satellite receiver's own sentences. Fed line by line; reads no file.

Every line gets the time of the newest sentence that told one. Only sentences with a
good checksum are believed, and a date only from one that says it has a fix: receivers
begin with the date at which their memory stopped.

Source: NMEA 0183: times hhmmss.ss in the first field of GGA, GNS, GBS, RMC and ZDA, in
the fifth of GLL; date ddmmyy in the ninth field of RMC, status in its second.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce
from operator import xor

from logger.core.tick import US_PER_S

DAY_US = 24 * 3600 * US_PER_S
TIME_FIELD = {"RMC": 1, "GGA": 1, "GNS": 1, "GBS": 1, "ZDA": 1, "GLL": 5}
TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d(?:\.\d{1,6})?)")
SENTENCE = re.compile(rb"[$!]([^*$!]{5,})\*([0-9A-Fa-f]{2})")


def sentence_fields(line: bytes) -> list[str] | None:
    """Return the fields of a sentence, its kind first; None without a good checksum.

    Args:
        line: One line, without its end.
    """
    match = SENTENCE.fullmatch(line.strip())
    if match is None or reduce(xor, match[1], 0) != int(match[2], 16):
        return None
    return match[1].decode("ascii", errors="replace").split(",")


@dataclass(slots=True)
class SentenceClock:
    """The time of the newest line.

    Attributes:
        day_us: The day under way, microseconds since the Unix epoch; 0 until one is
            known, so that times count from midnight.
        time_us: The time of day of the newest sentence that told one; None before.
    """

    day_us: int = 0
    time_us: int | None = None

    def feed(self, line: bytes) -> int | None:
        """Return the stamp of a line, microseconds; None before the first time."""
        fields = sentence_fields(line)
        if fields is not None:
            self._take(fields)
        return None if self.time_us is None else self.day_us + self.time_us

    def _take(self, fields: list[str]) -> None:
        kind = fields[0][-3:]
        place = TIME_FIELD.get(kind, len(fields))
        match = TIME.fullmatch(fields[place]) if place < len(fields) else None
        if match is None:
            return
        hours, minutes, seconds = int(match[1]), int(match[2]), float(match[3])
        time_us = round((hours * 3600 + minutes * 60 + seconds) * US_PER_S)
        if self.time_us is not None and self.time_us - time_us > DAY_US // 2:
            self.day_us += DAY_US if self.day_us else 0
        self.time_us = time_us
        if kind == "RMC" and len(fields) > 9 and fields[2] == "A":
            self.day_us = _day_us(fields[9]) or self.day_us


def _day_us(text: str) -> int | None:
    try:
        day = datetime.strptime(text, "%d%m%y").replace(tzinfo=UTC)
    except ValueError:
        return None
    return round(day.timestamp()) * US_PER_S
