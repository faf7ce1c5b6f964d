"""CAN logs in text, read by python-can: ASC, TRC and its own CSV.

The time of an ASC file is in the time zone of the computer, as python-can writes it;
the form itself names none.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO, cast

import can
from can.io.asc import ASCReader
from can.io.csv import CSVReader
from can.io.trc import TRCReader

from logger.errors import RecordingError
from replay.formats.reading import Damage, Progress, opened
from replay.formats.watched import WatchedLines, frames_of

ASC_HEAD = re.compile(r"\s*(date\s+\S+\s+\S|base\s+(hex|dec)\b|//\s*version\b)", re.I)
ASC_DATE = re.compile(r"\s*(date|begin\s+triggerblock)\b", re.I)
ASC_OTHER = re.compile(
    r"\s*(base\s|//|(no\s+)?internal\s+events|(begin|end)\s+triggerblock|date\s"
    # Behind the time stands a word instead of a channel, or a word behind the channel.
    r"|\d+\.\d+\s+(?!CANFD\b)([A-Za-z]\w*\b|\d+\s+(Statistic|Status|OverloadFrame)\b))",
    re.I,
)
TRC_HEAD = re.compile(r"\s*;(\$FILEVERSION\s*=|\s*Start time:|\s*Message\s+Number)")
TRC_EVENT = re.compile(
    r"\s*\d+\)?\s+\d+(\.\d+)?\s+(\d+\s+)?(Error|Warng|Event|ST|ER|EC|EV)\b"
)
CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data"
"""The first line of the CSV that python-can writes."""


def is_asc(head: Sequence[str]) -> bool:
    """Return whether the first lines of a file are those of an ASC log."""
    return any(ASC_HEAD.match(line) for line in head)


def is_trc(head: Sequence[str]) -> bool:
    """Return whether the first lines of a file are those of a TRC log."""
    return any(TRC_HEAD.match(line) for line in head)


def is_frame_csv(head: Sequence[str]) -> bool:
    """Return whether the first lines of a file are those of python-can's CSV."""
    return any(line.strip() == CSV_HEAD for line in head[:1])


def asc_messages(
    path: Path, progress: Progress, damage: Damage
) -> Iterator[can.Message]:
    """Yield the messages of an ASC log.

    Raises:
        RecordingError: Each of its stamps counts from the line before.
    """
    with opened(path, "utf-8", progress) as text:
        # So primed, the reader takes the next line for a frame again.
        watched = WatchedLines(
            text, damage, _AscLines(damage).kind, ["no internal events logged\n"]
        )
        reader = ASCReader(cast(TextIO, watched), relative_timestamp=False)
        for message in frames_of(reader, watched):
            if reader.timestamps_format == "relative":
                raise RecordingError(
                    where=f"{path} (base line)",
                    saw="timestamps relative: each counts from the line before",
                    fix="Save it with absolute time stamps.",
                )
            yield message


class _AscLines:
    """Tells what an ASC line is that is no frame; a date that is none is said once."""

    def __init__(self, damage: Damage) -> None:
        self._notes = damage.notes

    def kind(self, line: str) -> str | None:
        if ASC_DATE.match(line) and not _is_asc_date(line):
            note = f"The date cannot be read: {' '.join(line.split())[:60]}."
            if note not in self._notes:
                self._notes.append(note)
        return "" if ASC_OTHER.match(line) else None


def _is_asc_date(line: str) -> bool:
    _, _, text = line.strip().partition(" ")
    date = re.search(r"\w{3,}\s+(?P<rest>\S+\s+\d+\s.+)", text)
    try:
        # python-can's own words for months decide.
        ASCReader._datetime_to_timestamp(date["rest"] if date else text)
    except ValueError:
        return False
    return True


def trc_messages(
    path: Path, progress: Progress, damage: Damage
) -> Iterator[can.Message]:
    """Yield the messages of a TRC log."""
    with opened(path, "cp1252", progress) as text:
        watched = WatchedLines(text, damage, _trc_kind)
        yield from frames_of(TRCReader(cast(TextIO, watched)), watched)


def _trc_kind(line: str) -> str | None:
    if line.lstrip().startswith(";"):
        return ""
    return "lines about errors and states" if TRC_EVENT.match(line) else None


def csv_messages(
    path: Path, progress: Progress, damage: Damage
) -> Iterator[can.Message]:
    """Yield the messages of a CSV as python-can writes it."""
    with opened(path, "ascii", progress) as text:
        watched = WatchedLines(text, damage, _csv_kind, [CSV_HEAD + "\n"])
        yield from frames_of(CSVReader(cast(TextIO, watched)), watched)


def _csv_kind(line: str) -> str | None:
    return "" if line.strip() == CSV_HEAD else None
