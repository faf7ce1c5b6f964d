"""Tables of channels: CSV with a header line, one row a moment.

Which table of the van file a file is, its header decides. Rows without a sound time and
rows of another width are counted and skipped; an empty cell is a missing value.
"""

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

from logger.core.tick import US_PER_S
from logger.decode.frames import Row
from logger.errors import RecordingError
from logger.van.reading import TableSource
from replay.formats.reading import Damage, Progress, lines, opened
from replay.formats.timeline import Timeline, is_possible

ParseStamp = Callable[[str], int | None]


def time_columns(source: TableSource) -> tuple[str, ...]:
    """Return the columns that together give the time of a row."""
    time = source.settings.time
    return (time,) if isinstance(time, str) else time


def stamp_parser(source: TableSource) -> ParseStamp:
    """Return what turns the text of a time into microseconds, or None if it is none.

    The microseconds count from the Unix epoch where the time is a date, otherwise from
    whatever the table counts from.
    """
    form = source.settings.time_format
    zone = ZoneInfo(source.settings.time_zone)

    def seconds(text: str) -> int:
        if "_" in text:
            raise ValueError(text)  # Python reads 1_0 as 10, no logger writes it
        return round(float(_pointed(text, source)) * US_PER_S)

    def date(text: str) -> int:
        if form == "iso":
            moment = datetime.fromisoformat(text)
        else:
            moment = datetime.strptime(text, form)  # noqa: DTZ007 (zone follows)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=zone)
        return round(moment.timestamp() * US_PER_S)

    parse = seconds if form == "seconds" else date

    def guarded(text: str) -> int | None:
        try:
            stamp_us = parse(text.strip())
        except (ValueError, OverflowError):
            return None
        return stamp_us if is_possible(stamp_us) else None

    return guarded


def choose_table(path: Path, tables: Mapping[str, TableSource]) -> TableSource:
    """Return the table of the van file that a CSV file is.

    It is the one whose time columns are all in the header and which finds most of its
    feeds there.

    Raises:
        RecordingError: No table fits.
    """
    best: tuple[int, TableSource] | None = None
    for source in tables.values():
        header = _header(path, source)
        if header is None or not set(time_columns(source)) <= set(header):
            continue
        found = sum(column in header for column in source.columns)
        if found and (best is None or found > best[0]):
            best = (found, source)
    if best is not None:
        return best[1]
    wanted = "; ".join(
        f"{name} with " + ", ".join((*time_columns(source), *source.columns))
        for name, source in tables.items()
    )
    raise RecordingError(
        where=str(path),
        saw=f"neither a CAN log nor a known table; it begins with {_begin(path)}",
        fix="Describe its columns in the van file as a [[table]]. "
        + (f"Known are: {wanted}." if wanted else "None is known so far."),
    )


def _begin(path: Path) -> str:
    with opened(path, "latin-1") as text:
        first = next(lines(text, Damage()), "")
    return repr(first[:80]) if first else "nothing"


def _header(path: Path, source: TableSource) -> list[str] | None:
    with opened(path, source.settings.encoding) as text:
        for cells in _rows(text, source, Damage()):
            return [cell.strip() for cell in cells]
    return None


def _rows(text: TextIO, source: TableSource, damage: Damage) -> Iterator[list[str]]:
    """Yield the cells of every line that is not blank.

    Each line is a row of its own, so that a quote which is never closed costs one row
    and not the rest of the file.
    """
    for line in lines(text, damage):
        if line.strip():
            try:
                yield next(csv.reader([line], delimiter=source.settings.delimiter))
            except csv.Error:
                damage.lines += 1


@dataclass(slots=True)
class TableRecording:
    """One CSV table.

    Args:
        path: The file, plain or gzip.
        source: The table of the van file that it is.
        progress: Told how far the file has been read.
    """

    path: Path
    source: TableSource
    progress: Progress
    damage: Damage = field(default_factory=Damage)

    def items(self, timeline: Timeline) -> Iterator[Row]:
        """Yield the rows in the order of the file."""
        settings = self.source.settings
        parse = stamp_parser(self.source)
        with opened(self.path, settings.encoding, self.progress) as text:
            rows = _rows(text, self.source, self.damage)
            header = [cell.strip() for cell in next(rows, [])]
            times = [header.index(column) for column in time_columns(self.source)]
            places = self._places(header)
            for seq, cells in enumerate(rows):
                if len(cells) != len(header):
                    self.damage.lines += 1
                    continue
                stamp_us = parse(" ".join(cells[place] for place in times))
                if stamp_us is None:
                    self.damage.lines += 1
                    continue
                yield Row(
                    t_us=timeline.place(stamp_us),
                    seq=seq,
                    table=settings.name,
                    cells=tuple(self._cell(cells, place) for place in places),
                )

    def _places(self, header: Sequence[str]) -> list[int | None]:
        places: list[int | None] = []
        for column in self.source.columns:
            places.append(header.index(column) if column in header else None)
            if column not in header:
                self.damage.notes.append(f"The table has no column {column!r}.")
            elif header.count(column) > 1:
                self.damage.notes.append(
                    f"The table has several columns {column!r}; the first is used."
                )
        return places

    def _cell(self, cells: Sequence[str], place: int | None) -> str | None:
        text = "" if place is None else cells[place].strip()
        if text == "" or text in self.source.settings.missing:
            return None
        return _pointed(text, self.source)


def _pointed(text: str, source: TableSource) -> str:
    """Return a number's text with a decimal point, whatever the table's mark is."""
    return text if source.settings.decimal == "." else text.replace(",", ".")
