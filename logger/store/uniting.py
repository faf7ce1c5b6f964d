"""Unites rows of two copies of a run: what is fuller stays, nothing is taken away.

All of it happens in a transaction of the caller. Numbers of runs and channels differ
from log to log, and are told here by those of the open one.
"""

import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.rollup import TICKS_PER_MINUTE, TICKS_PER_QUARTER
from logger.core.tick import US_PER_S, Cell
from logger.decode.frames import Raw
from logger.store.connect import Connection
from logger.store.folded import Block, Span, read_span
from logger.store.folding import (
    Quarter,
    Second,
    add_folded,
    beat_of,
    folded_blocks,
    read_told,
)
from logger.store.packed import DamagedRowError, pack, unpack
from logger.store.private import (
    NOTES,
    PLACES,
    POSITIONS,
    erased_stretches,
    marks,
)
from logger.store.recording import unpack_block
from logger.store.rows import raw_row
from logger.store.seconds import walk
from logger.store.shapes import Row, Shape


@dataclass(slots=True)
class Uniting:
    """The open log, and what the numbers of the other one mean in it.

    Attributes:
        connection: The open log.
        damaged: Rows that could not be taken, by table.
        channels: Number here by number there.
        runs: Number here by number there.
    """

    connection: Connection
    damaged: dict[str, int]
    channels: dict[int, int] = field(default_factory=dict)
    runs: dict[int, int] = field(default_factory=dict)
    positions: set[int] = field(default_factory=set)
    _marks: dict[int, set[str]] = field(default_factory=dict)
    _stretches: dict[int, list[tuple[int, int]]] = field(default_factory=dict)

    def miss(self, table: str, count: int = 1) -> None:
        """Count rows that could not be taken."""
        if count == 0:
            return
        self.damaged[table] = self.damaged.get(table, 0) + count

    def add_channel(self, number: int, name: str, unit: str, label: str) -> None:
        """Take in a channel of the other log."""
        self.connection.execute(
            "INSERT INTO channel (name, unit, label) VALUES (?, ?, ?)"
            " ON CONFLICT (name) DO NOTHING",
            (name, unit, label),
        )
        row = self.connection.execute(
            "SELECT id FROM channel WHERE name = ?", (name,)
        ).fetchone()
        self.channels[number] = int(row[0])
        if name in POSITIONS:
            self.positions.add(int(row[0]))

    def is_erased(self, run: int, what: str) -> bool:
        """Return whether places or notes of a run here were erased on request."""
        if run not in self._marks:
            self._marks[run] = marks(self.connection, run)
        return what in self._marks[run]

    def add_run(
        self, number: int, run: int, erased_there: Iterable[tuple[int, int]]
    ) -> None:
        """Take in a run of the other log, by its numbers there and here.

        What was erased there too was made good there: nothing of it comes.
        """
        self.runs[number] = run
        here = set(erased_stretches(self.connection, run))
        self._stretches[run] = sorted(here - set(erased_there))

    def has_erased(self, run: int, start_us: int, end_us: int) -> bool:
        """Return whether a stretch of a run has something that was erased only here.

        Args:
            run: The run, by its number here.
            start_us: Start of the stretch, microseconds since the run's zero.
            end_us: Its end, which belongs to it.
        """
        return any(a <= end_us and start_us <= b for a, b in self._stretches[run])

    def channel(self, run: int, number: int) -> int | None:
        """Return a channel's number here; None if it is not known or not wanted."""
        here = self.channels.get(number)
        if here in self.positions and self.is_erased(run, PLACES):
            return None
        return here

    def mapped(self, shape: Shape, rows: Iterable[Row]) -> Iterator[Row]:
        """Yield rows of one table with the numbers of this log."""
        columns = shape.columns
        run_at = columns.index("run")
        channel_at = columns.index("channel") if "channel" in columns else None
        for row in rows:
            cells, run = list(row), self.runs.get(row[run_at])
            if run is None:
                self.miss(shape.table)
                continue
            cells[run_at] = run
            if channel_at is not None:
                channel = self.channel(run, row[channel_at])
                if channel is None:
                    continue
                cells[channel_at] = channel
            if shape.table == "event" and self._is_erased_note(run, row):
                continue
            times_us = _times_us(shape, row)
            if times_us is not None and self.has_erased(run, *times_us):
                continue
            yield tuple(cells)

    def _is_erased_note(self, run: int, event: Row) -> bool:
        return event[2] == "note" and self.is_erased(run, NOTES)


def _times_us(shape: Shape, row: Row) -> tuple[int, int] | None:
    """Return the time that a row is about, its end included; None for all of a run."""
    told = shape.named(row)
    if shape.table == "minute":
        start_us = told["minute"] * TICKS_PER_MINUTE * US_PER_S
        return start_us, start_us + TICKS_PER_MINUTE * US_PER_S - 1
    if shape.table == "quarter":
        start_us = told["quarter"] * TICKS_PER_QUARTER * US_PER_S
        return start_us, start_us + TICKS_PER_QUARTER * US_PER_S - 1
    if shape.table == "trip":
        # One may begin where the one before ended.
        return told["start_us"] + 1, told["end_us"] - 1
    if shape.table == "event":
        return told["t_us"], told["t_us"]
    return (told["start_us"], told["end_us"]) if "start_us" in told else None


def add_ticks(uniting: Uniting, quarter: Quarter, rows: Sequence[Row]) -> int:
    """Take in seconds that are not folded; return how many were added or filled up.

    Args:
        uniting: The open log.
        quarter: Their quarter of an hour, by the run's number here.
        rows: Of the table `tick`, by the numbers there.
    """
    seconds = {}
    for _, index, packed in rows:
        try:
            first_us, last_us, cells = unpack(packed)
        except DamagedRowError:
            uniting.miss("tick")
            continue
        seconds[index] = (first_us, last_us, _renumbered(uniting, quarter.run, cells))
    return _unite(uniting, quarter, seconds)


def _renumbered(
    uniting: Uniting, run: int, cells: Mapping[int, Cell]
) -> dict[int, Cell]:
    found = {}
    for number, cell in cells.items():
        channel = uniting.channel(run, number)
        if channel is not None:
            found[channel] = cell
    return found


def add_blocks(
    uniting: Uniting, quarter: Quarter, packed: bytes | None, rows: Sequence[Row]
) -> int:
    """Take in folded seconds; return how many were added or filled up.

    A block never takes the place of a fuller one: where both logs have seconds of the
    quarter, what is missing here comes as rows of seconds, which the next folding
    unites with the blocks.

    Args:
        uniting: The open log.
        quarter: Their quarter of an hour, by the run's number here.
        packed: The span, None where it is lost.
        rows: Of the table `block`, by the numbers there.
    """
    try:
        if packed is None:
            raise DamagedRowError("no span")
        span = read_span(packed)
    except DamagedRowError:
        uniting.miss("block", len(rows))
        return 0
    blocks = {}
    for _, number, _, _, beat, cells, trigger, held in rows:
        here, *leads = (
            None if each is None else uniting.channel(quarter.run, each)
            for each in (number, trigger, held)
        )
        if (leads[0] is None, leads[1] is None) != (trigger is None, held is None):
            # It is told from a channel whose name is lost.
            uniting.miss("block")
        elif here is not None:
            blocks[here] = Block(beat, leads[0], leads[1], cells)
    if _takes_whole(uniting, quarter, packed):
        return _copy(uniting, quarter, span, packed, blocks)
    return _unite(uniting, quarter, _seconds(uniting, span, blocks))


def _takes_whole(uniting: Uniting, quarter: Quarter, packed: bytes) -> bool:
    """Return whether blocks of a span can stand here as they are."""
    connection = uniting.connection
    start_us = quarter.ticks[0] * US_PER_S
    if uniting.has_erased(quarter.run, start_us, quarter.end_us - 1):
        return False
    tick = connection.execute(
        "SELECT 1 FROM tick WHERE run = ? AND tick BETWEEN ? AND ? LIMIT 1",
        (quarter.run, *quarter.ticks),
    ).fetchone()
    span = connection.execute(
        "SELECT beats FROM span WHERE run = ? AND quarter = ?",
        (quarter.run, quarter.index),
    ).fetchone()
    return tick is None and (span is None or span[0] == packed)


def _copy(
    uniting: Uniting,
    quarter: Quarter,
    span: Span,
    packed: bytes,
    blocks: Mapping[int, Block],
) -> int:
    place = (quarter.run, quarter.index)
    before = uniting.connection.execute(
        "SELECT count(*) FROM span WHERE run = ? AND quarter = ?", place
    ).fetchone()
    uniting.connection.execute(
        "INSERT OR IGNORE INTO span (run, quarter, n, beats) VALUES (?, ?, ?, ?)",
        (*place, len(span.indexes), packed),
    )
    here = folded_blocks(uniting.connection, quarter)
    sound = {
        channel: block
        for channel, block in blocks.items()
        if is_inflatable(block.cells) and channel not in here
    }
    # What is told from others goes with them, or not at all.
    known = here | sound
    told = {c: block for c, block in sound.items() if _is_told(known, c, span)}
    uniting.miss("block", len(set(blocks) - set(here) - set(told)))
    add_folded(uniting.connection, quarter, told)
    return 0 if before[0] else len(span.indexes)


def _is_told(blocks: Mapping[int, Block], channel: int, span: Span) -> bool:
    """Return whether a block is whole, or can be told from those that it follows."""
    block = blocks[channel]
    if block.trigger is None:
        return True
    try:
        read_told(blocks, channel, beat_of(span, block))
    except DamagedRowError:
        return False
    return True


def is_inflatable(packed: bytes) -> bool:
    """Return whether packed bytes are as they were written: a sum in them tells."""
    try:
        zlib.decompress(packed)
    except zlib.error:
        return False
    return True


def _seconds(
    uniting: Uniting, span: Span, blocks: Mapping[int, Block]
) -> dict[int, Second]:
    cells: list[dict[int, Cell]] = [{} for _ in span.indexes]
    for channel, block in blocks.items():
        try:
            beat = beat_of(span, block)
            found = read_told(blocks, channel, beat)
        except DamagedRowError:
            uniting.miss("block")
            continue
        for place, cell in zip(beat.places, found, strict=True):
            cells[place][channel] = cell
    times = zip(span.first_us, span.last_us, cells, strict=True)
    return dict(zip(span.indexes, times, strict=True))


def _unite(uniting: Uniting, quarter: Quarter, seconds: Mapping[int, Second]) -> int:
    """Store what the seconds of a quarter have more than those here."""
    connection = uniting.connection
    here = dict(walk(connection, quarter.run, *quarter.ticks))
    rows = []
    for index in sorted(seconds):
        start_us = index * US_PER_S
        if uniting.has_erased(quarter.run, start_us, start_us + US_PER_S - 1):
            continue
        second = united(here.get(index), seconds[index])
        if second is not None:
            first_us, last_us, cells = second
            packed = pack(first_us, last_us, sorted(cells.items()))
            rows.append((quarter.run, index, packed))
    connection.executemany(
        "INSERT OR REPLACE INTO tick (run, tick, cells) VALUES (?, ?, ?)", rows
    )
    return len(rows)


def united(ours: Second | None, theirs: Second) -> Second | None:
    """Return a second with all that two copies have of it; None where ours has all."""
    if ours is None:
        return theirs if theirs[2] else None
    cells = dict(ours[2])
    for channel, cell in theirs[2].items():
        if channel not in cells or cell.n > cells[channel].n:
            cells[channel] = cell
    second = (min(ours[0], theirs[0]), max(ours[1], theirs[1]), cells)
    return None if second == (*ours[:2], dict(ours[2])) else second


def add_frames(uniting: Uniting, rows: Sequence[Row]) -> None:
    """Take in blocks of frames and lines; what overlaps is taken item by item."""
    for _, number, first, last, *times, n, items in rows:
        run = uniting.runs.get(number)
        if run is None or not is_inflatable(items):
            uniting.miss("raw_block")
            continue
        if uniting.is_erased(run, PLACES):
            continue
        here = _overlapping(uniting.connection, run, first, last)
        if uniting.has_erased(run, *times):
            _add_items(uniting, run, items, here)
        elif not here:
            _insert_frames(uniting.connection, (run, first, last, *times, n, items))
        elif not any(a <= first and last <= b for a, b in here):
            _add_items(uniting, run, items, here)


def _overlapping(
    connection: Connection, run: int, first: int, last: int
) -> list[tuple[int, int]]:
    """Return the first and last numbers of the blocks here that share some."""
    rows = connection.execute(
        "SELECT first_seq, last_seq FROM raw_block WHERE run = ? AND first_seq <= ?"
        " AND last_seq >= ? AND first_seq >= coalesce((SELECT max(first_seq)"
        " FROM raw_block WHERE run = ? AND first_seq <= ?), ?) ORDER BY first_seq",
        (run, last, first, run, first, first),
    ).fetchall()
    return [(int(a), int(b)) for a, b in rows]


def _insert_frames(connection: Connection, row: Sequence[int | bytes]) -> None:
    connection.execute(
        "INSERT INTO raw_block (run, first_seq, last_seq, first_us, last_us, n, items)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        row,
    )


def _add_items(
    uniting: Uniting, run: int, packed: bytes, here: Sequence[tuple[int, int]]
) -> None:
    try:
        items = unpack_block(packed)
    except DamagedRowError:
        uniting.miss("raw_block")
        return
    # Cut where a block here lies between: no two blocks may share numbers.
    pieces: dict[int, list[Raw]] = {}
    for item in items:
        if uniting.has_erased(run, item.t_us, item.t_us):
            continue
        if not any(a <= item.seq <= b for a, b in here):
            piece = sum(b < item.seq for _, b in here)
            pieces.setdefault(piece, []).append(item)
    for block in pieces.values():
        _insert_frames(uniting.connection, raw_row(run, block))
