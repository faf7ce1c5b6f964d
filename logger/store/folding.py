"""Folds the seconds that lie behind, from rows a second to blocks a channel.

The seconds of a quarter of an hour that is over are read, packed channel by channel,
and put in the place of their rows in one transaction. All of it is cut into portions,
each short enough to go between two batches. A quarter that was folded before (a batch
was stored again, or two logs were joined) is united with its rows.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from logger.core.derived import told_from
from logger.core.rollup import TICKS_PER_QUARTER
from logger.core.tick import US_PER_S, Cell
from logger.store.connect import Connection
from logger.store.folded import (
    Beat,
    Block,
    Folding,
    Span,
    read_beat,
    read_block,
    read_span,
)
from logger.store.following import Following
from logger.store.packed import DamagedRowError, unpack

SECONDS_A_PORTION = 60
"""Read and unpacked at once: a few milliseconds."""

Second = tuple[int, int, dict[int, Cell]]
"""First sample, newest sample (microseconds since the run's zero), cells by channel."""

Transaction = Callable[[Callable[[], bool]], bool]
"""Does something in one transaction, and returns what it returned."""


@dataclass(frozen=True, slots=True)
class Quarter:
    """One quarter of an hour of a run that has rows of seconds."""

    run: int
    index: int

    @property
    def ticks(self) -> tuple[int, int]:
        """First and last second that may belong to it."""
        first = self.index * TICKS_PER_QUARTER
        return first, first + TICKS_PER_QUARTER - 1

    @property
    def end_us(self) -> int:
        """Its end, microseconds since the run's zero."""
        return (self.ticks[1] + 1) * US_PER_S


def ready(connection: Connection) -> Quarter | None:
    """Return a quarter that no new second will come to, or None.

    That is one behind the newest second of its run, or any of a run that is over.
    """
    run = -1
    while True:
        row = connection.execute(
            "SELECT run, tick FROM tick WHERE run > ? ORDER BY run, tick LIMIT 1",
            (run,),
        ).fetchone()
        if row is None:
            return None
        run, index = int(row[0]), int(row[1]) // TICKS_PER_QUARTER
        newest, end_us = connection.execute(
            "SELECT (SELECT max(tick) FROM tick WHERE run = ?),"
            " (SELECT end_us FROM run WHERE id = ?)",
            (run, run),
        ).fetchone()
        if end_us is not None or newest // TICKS_PER_QUARTER > index:
            return Quarter(run, index)


def fold(
    connection: Connection, quarter: Quarter, transaction: Transaction
) -> Iterator[None]:
    """Fold one quarter; yields between portions.

    Args:
        connection: The log.
        quarter: What to fold.
        transaction: How something is done in one transaction.
    """
    seconds = dict(folded_seconds(connection, quarter))
    yield
    count = 0
    first, last = quarter.ticks
    for start in range(first, last + 1, SECONDS_A_PORTION):
        rows = connection.execute(
            "SELECT tick, cells FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
            (quarter.run, start, start + SECONDS_A_PORTION - 1),
        ).fetchall()
        count += len(rows)
        seconds |= {tick: _unpacked(packed) for tick, packed in rows}
        yield
    folding = Folding(follows(connection))
    for tick in sorted(seconds):
        folding.add(tick, *seconds[tick])
    blocks = {}
    for channel in folding.channels:
        blocks[channel] = folding.block(channel)
        yield
    span = (quarter.run, quarter.index, folding.count, folding.span())

    def replace() -> bool:
        # A batch that was stored again meanwhile is taken in the next time.
        if _count(connection, quarter) != count:
            return False
        _replace(connection, quarter, span, blocks)
        return True

    transaction(replace)
    yield


def follows(connection: Connection) -> dict[int, Following]:
    """Return which channels of a log may be told from others, by number."""
    rows = connection.execute("SELECT name, id FROM channel").fetchall()
    numbers: dict[str, int] = dict(rows)
    return {
        numbers[row.result]: Following(
            numbers[row.trigger],
            None if row.held is None else numbers[row.held],
            row.factor,
            row.is_clipped,
        )
        for row in told_from(numbers)
    }


def _unpacked(packed: bytes) -> Second:
    first_us, last_us, cells = unpack(packed)
    return first_us, last_us, dict(cells)


def _count(connection: Connection, quarter: Quarter) -> int:
    row = connection.execute(
        "SELECT count(*) FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
        (quarter.run, *quarter.ticks),
    ).fetchone()
    return int(row[0])


def _replace(
    connection: Connection,
    quarter: Quarter,
    span: tuple[int, int, int, bytes],
    blocks: Mapping[int, Block],
) -> None:
    """Put blocks in the place of rows; a transaction is under way."""
    connection.execute(
        "INSERT OR REPLACE INTO span (run, quarter, n, beats) VALUES (?, ?, ?, ?)", span
    )
    add_folded(connection, quarter, blocks)
    connection.execute(
        "DELETE FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
        (quarter.run, *quarter.ticks),
    )


def add_folded(
    connection: Connection, quarter: Quarter, blocks: Mapping[int, Block]
) -> None:
    """Store the blocks of a quarter, by channel; a transaction is under way."""
    connection.executemany(
        "INSERT OR REPLACE INTO block (channel, run, quarter, beat, trigger, held,"
        " cells) VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (
                channel,
                quarter.run,
                quarter.index,
                block.beat,
                block.trigger,
                block.held,
                block.cells,
            )
            for channel, block in blocks.items()
        ],
    )


def folded_seconds(
    connection: Connection, quarter: Quarter
) -> Iterator[tuple[int, Second]]:
    """Yield the folded seconds of a quarter, in their order.

    Raises:
        DamagedRowError: A span or block cannot be read.
    """
    row = connection.execute(
        "SELECT beats FROM span WHERE run = ? AND quarter = ?",
        (quarter.run, quarter.index),
    ).fetchone()
    if row is None:
        return
    span = read_span(row[0])
    cells: list[dict[int, Cell]] = [{} for _ in span.indexes]
    blocks = folded_blocks(connection, quarter)
    for channel, block in blocks.items():
        beat = beat_of(span, block)
        found = read_told(blocks, channel, beat)
        for place, cell in zip(beat.places, found, strict=True):
            cells[place][channel] = cell
    times = zip(span.first_us, span.last_us, cells, strict=True)
    yield from zip(span.indexes, times, strict=True)


def folded_blocks(connection: Connection, quarter: Quarter) -> dict[int, Block]:
    """Return the blocks of a quarter, by channel."""
    rows = connection.execute(
        "SELECT block.channel, beat, trigger, held, cells FROM channel"
        " CROSS JOIN block ON block.channel = channel.id AND run = ? AND quarter = ?",
        (quarter.run, quarter.index),
    ).fetchall()
    return {channel: Block(*block) for channel, *block in rows}


def beat_of(span: Span, block: Block) -> Beat:
    """Return the beat of a block.

    Raises:
        DamagedRowError: Its span lacks it.
    """
    if not 0 <= block.beat < len(span.beats):
        raise DamagedRowError(f"a block of beat {block.beat}, which its span lacks")
    return span.beats[block.beat]


def read_told(blocks: Mapping[int, Block], channel: int, beat: Beat) -> list[Cell]:
    """Return the cells of one channel, what it is told from read before it.

    Args:
        blocks: Of a quarter, by channel: at least the channel's own and its leads.
        channel: The channel.
        beat: Its beat, which it shares with them.

    Raises:
        DamagedRowError: A block cannot be read, or one that it is told from is lost.
    """
    block = blocks[channel]
    leads = [each for each in (block.trigger, block.held) if each is not None]
    for lead in leads:
        if lead not in blocks:
            raise DamagedRowError("a block without the one that it is told from")
    return read_block(block.cells, beat, [blocks[lead].cells for lead in leads])


def folded_channel(
    connection: Connection, channel: int, quarter: Quarter
) -> list[tuple[int, Cell]]:
    """Return the folded seconds of one channel in a quarter: index and cell.

    Raises:
        DamagedRowError: The span or the block cannot be read.
    """
    rows = connection.execute(
        "SELECT lead.channel, lead.beat, lead.trigger, lead.held, lead.cells"
        " FROM block CROSS JOIN block AS lead ON lead.channel IN"
        " (block.channel, block.trigger, block.held)"
        " AND lead.run = block.run AND lead.quarter = block.quarter"
        " WHERE block.channel = ? AND block.run = ? AND block.quarter = ?",
        (channel, quarter.run, quarter.index),
    ).fetchall()
    if not rows:
        return []
    blocks = {number: Block(*block) for number, *block in rows}
    row = connection.execute(
        "SELECT beats FROM span WHERE run = ? AND quarter = ?",
        (quarter.run, quarter.index),
    ).fetchone()
    if row is None:
        return []
    indexes, beat = read_beat(row[0], blocks[channel].beat)
    found = read_told(blocks, channel, beat)
    return [(indexes[p], cell) for p, cell in zip(beat.places, found, strict=True)]
