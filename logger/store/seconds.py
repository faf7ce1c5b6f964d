"""The stored seconds of a run, folded or not, in their order.

Each quarter of an hour is read with short queries of its own: a reader that keeps one
open keeps the writer from taking its WAL in.
"""

from collections.abc import Iterator

from logger.core.rollup import TICKS_PER_QUARTER
from logger.core.tick import Cell
from logger.store.connect import Connection
from logger.store.folding import Quarter, Second, folded_channel, folded_seconds
from logger.store.packed import unpack


def walk(
    connection: Connection, run: int, first: int, last: int
) -> Iterator[tuple[int, Second]]:
    """Yield the seconds of a run, by channel number.

    Args:
        connection: The log.
        run: The run.
        first: Index of the first second wanted.
        last: Index of the last one wanted.
    """
    for quarter in quarters(connection, run, first, last):
        rows = _rows(connection, quarter)
        seconds = dict(folded_seconds(connection, quarter))
        for index, packed in rows:
            first_us, last_us, cells = unpack(packed)
            seconds[index] = (first_us, last_us, dict(cells))
        for index in sorted(seconds):
            if first <= index <= last:
                yield index, seconds[index]


def walk_channel(
    connection: Connection, run: int, channel: int, first: int, last: int
) -> Iterator[tuple[int, Cell]]:
    """Yield the seconds of one channel of a run: index and cell.

    Args:
        connection: The log.
        run: The run.
        channel: Number of the channel.
        first: Index of the first second wanted.
        last: Index of the last one wanted.
    """
    for quarter in quarters(connection, run, first, last):
        rows = _rows(connection, quarter)
        seconds = dict(folded_channel(connection, channel, quarter))
        for index, packed in rows:
            _, _, cells = unpack(packed)
            if channel in cells:
                seconds[index] = cells[channel]
        for index in sorted(seconds):
            if first <= index <= last:
                yield index, seconds[index]


def newest_quarter(connection: Connection, run: int) -> Quarter | None:
    """Return the newest quarter of a run that has seconds, or None."""
    (index,) = connection.execute(
        "SELECT max(q) FROM (SELECT max(tick) / ? AS q FROM tick WHERE run = ?"
        " UNION ALL SELECT max(quarter) FROM span WHERE run = ?)",
        (TICKS_PER_QUARTER, run, run),
    ).fetchone()
    return None if index is None else Quarter(run, index)


def quarters(
    connection: Connection, run: int, first: int, last: int
) -> Iterator[Quarter]:
    """Yield the quarters of an hour that have seconds, each found when asked for."""
    index = max(first, 0) // TICKS_PER_QUARTER
    while index <= last // TICKS_PER_QUARTER:
        (found,) = connection.execute(
            "SELECT min(q) FROM (SELECT min(tick) / ? AS q FROM tick"
            " WHERE run = ? AND tick >= ?"
            " UNION ALL SELECT min(quarter) FROM span"
            " WHERE run = ? AND quarter >= ?)",
            (TICKS_PER_QUARTER, run, index * TICKS_PER_QUARTER, run, index),
        ).fetchone()
        if found is None:
            return
        if found <= last // TICKS_PER_QUARTER:
            yield Quarter(run, found)
        index = found + 1


def _rows(connection: Connection, quarter: Quarter) -> list[tuple[int, bytes]]:
    """Return the seconds that are not folded; asked for before the folded ones.

    The other way round, what is folded in between would be found in neither.
    """
    return connection.execute(
        "SELECT tick, cells FROM tick WHERE run = ? AND tick BETWEEN ? AND ?"
        " ORDER BY tick",
        (quarter.run, *quarter.ticks),
    ).fetchall()
