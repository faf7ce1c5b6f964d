"""CSV tables with one frame a row: our own export, an adapter's, one already split.

Which of them a file is, the columns of its header decide. The forms are data: how a
row's time, bus, identifier and bytes are to be had.
"""

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.core.tick import US_PER_S
from logger.decode.frames import Frame, Line
from logger.decode.j1939 import FIRST_BROADCAST_FORMAT
from replay.formats.bus_names import numbered
from replay.formats.reading import Damage, Progress, lines, opened
from replay.formats.timeline import Timeline, is_possible

Row = Mapping[str, str]
LONGEST_PAYLOAD = 64
"""Bytes of a CAN FD frame (ISO 11898-1)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a row tells: a frame of a bus, or a line of a port."""

    stamp_us: int
    source: str
    data: bytes
    can_id: int = 0
    is_extended: bool = False
    is_line: bool = False


@dataclass(frozen=True, slots=True)
class TableForm:
    """One form: the columns that it is known by, and how a row is read.

    Attributes:
        name: What it is called.
        columns: All must be in the header.
        read: Returns what a row tells, None where it tells nothing here.
    """

    name: str
    columns: frozenset[str]
    read: Callable[[Row, Mapping[str, str]], Told | None]


def _own(row: Row, buses: Mapping[str, str]) -> Told | None:
    stamp_us, data = _micro(row["t_s"], 1.0), bytes.fromhex(row["data_hex"])
    source, kind = row["source"], row["kind"]
    if kind == "line":
        return Told(stamp_us, source, data, is_line=True)
    if kind != "frame":
        return None
    is_known = source in buses.values() or source.startswith("?")
    bus = source if is_known else f"?{source}"
    is_extended = row["is_extended"] == "1"
    return Told(stamp_us, bus, data, int(row["frame_id"], 16), is_extended)


def _adapter(row: Row, buses: Mapping[str, str]) -> Told:
    length, number = int(row["LEN"]), int(row["Bus"])
    data = bytes(int(row[f"D{place}"], 16) for place in range(1, length + 1))
    return Told(
        stamp_us=_micro(row["Time Stamp"], 1e-6),
        source=numbered(buses, number, f"bus {number}"),
        data=data,
        can_id=int(row["ID"], 16),
        is_extended=row["Extended"].lower() == "true",
    )


def _split(row: Row, buses: Mapping[str, str]) -> Told:
    """Put the identifier together again.

    Source: SAE J1939-21: priority bits 28-26, group 25-8, source address 7-0; below
    format 240 the destination stands in bits 15-8.
    """
    group, priority = int(row["pgn"]), int(row["priority"])
    source, destination = int(row["source"]), int(row["destination"])
    if not (group < 1 << 18 and priority < 8 and source < 256 and destination < 256):
        raise ValueError("a part of the identifier is too large")
    if (group >> 8) & 0xFF < FIRST_BROADCAST_FORMAT:
        group |= destination
    return Told(
        stamp_us=_micro(row["time"], 1e-3),
        source=numbered(buses, 0, "channel 1"),
        data=bytes.fromhex(row["data"]),
        can_id=priority << 26 | group << 8 | source,
        is_extended=True,
    )


def _micro(text: str, unit_s: float) -> int:
    return round(float(text) * unit_s * US_PER_S)


FORMS = (
    TableForm(
        "frames as exported",
        frozenset({"t_s", "kind", "source", "frame_id", "is_extended", "data_hex"}),
        _own,
    ),
    TableForm(
        "frames of an adapter",
        frozenset({"Time Stamp", "ID", "Extended", "Bus", "LEN", "D1"}),
        _adapter,
    ),
    TableForm(
        "frames with split identifiers",
        frozenset({"time", "pgn", "priority", "source", "destination", "data"}),
        _split,
    ),
)


def table_form(head: Sequence[str]) -> TableForm | None:
    """Return the form that a file has by its first line, or None."""
    columns = _cells(head[0]) if head else []
    return next((form for form in FORMS if form.columns <= set(columns)), None)


def _cells(line: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line]), [])]
    except csv.Error:
        return []


@dataclass(slots=True)
class FrameTableRecording:
    """One such table.

    Args:
        path: The file, plain or gzip.
        form: Which of the forms it has.
        buses: Bus names by interface, in the order of the van file.
        progress: Told how far the file has been read.
    """

    path: Path
    form: TableForm
    buses: Mapping[str, str]
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Frame | Line]:
        """Yield frames and lines in the order of the file."""
        with opened(self.path, "utf-8-sig", self.progress) as text:
            rows = lines(text, self.damage)
            header = _cells(next(rows, ""))
            seq = 0
            for line in rows:
                told = self._told(header, line) if line.strip() else None
                if told is not None:
                    yield _item(told, timeline.place(told.stamp_us, told.source), seq)
                    seq += 1

    def _told(self, header: Sequence[str], line: str) -> Told | None:
        row = dict(zip(header, _cells(line), strict=False))
        try:
            told = self.form.read(row, self.buses)
        except (ValueError, KeyError, OverflowError):
            self.damage.lines += 1
            return None
        if told is None or (is_possible(told.stamp_us) and _is_sound(told)):
            return told
        self.damage.lines += 1
        return None


def _item(told: Told, t_us: int, seq: int) -> Frame | Line:
    if told.is_line:
        return Line(t_us, seq, told.source, told.data)
    frame_id = (told.can_id, told.is_extended)
    return Frame(t_us, seq, told.source, *frame_id, told.data)


def _is_sound(told: Told) -> bool:
    largest = 0x1FFF_FFFF if told.is_extended else 0x7FF
    return told.is_line or (
        0 <= told.can_id <= largest and len(told.data) <= LONGEST_PAYLOAD
    )
