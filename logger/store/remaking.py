"""Makes minutes and quarters anew of what is left of a run's seconds."""

from collections.abc import Mapping

from logger.core.rollup import (
    MINUTES_PER_QUARTER,
    TICKS_PER_MINUTE,
    TICKS_PER_QUARTER,
    join_cells,
)
from logger.core.tick import Cell
from logger.store.connect import Connection
from logger.store.reader import plain_cell
from logger.store.rows import plain
from logger.store.seconds import walk


def remake_sums(connection: Connection, run: int, first: int, last: int) -> None:
    """Make the minutes and quarters over a stretch anew; a transaction is under way.

    What no second is left of goes; of the quarters at its ends the minutes outside of
    the stretch are taken as they are.

    Args:
        connection: The log.
        run: The run.
        first: Index of the first second of the stretch.
        last: Index of the last one.
    """
    start, end = first // TICKS_PER_MINUTE, last // TICKS_PER_MINUTE
    connection.execute(
        "DELETE FROM minute WHERE run = ? AND minute BETWEEN ? AND ?", (run, start, end)
    )
    for minute in sorted({start, end}):
        at = minute * TICKS_PER_MINUTE
        cells: dict[int, Cell] = {}
        for _, (_, _, more) in walk(connection, run, at, at + TICKS_PER_MINUTE - 1):
            _join(cells, more)
        connection.executemany(
            "INSERT INTO minute (run, minute, channel, n, min, max, mean, last,"
            " covered_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(run, minute, channel, *plain(c)) for channel, c in sorted(cells.items())],
        )
    for quarter in range(first // TICKS_PER_QUARTER, last // TICKS_PER_QUARTER + 1):
        _remake_quarter(connection, run, quarter)


def _remake_quarter(connection: Connection, run: int, quarter: int) -> None:
    connection.execute(
        "DELETE FROM quarter WHERE channel IN (SELECT id FROM channel) AND run = ?"
        " AND quarter = ?",
        (run, quarter),
    )
    at = quarter * MINUTES_PER_QUARTER
    rows = connection.execute(
        "SELECT channel, n, min, max, mean, last, covered_s FROM minute"
        " WHERE run = ? AND minute BETWEEN ? AND ? ORDER BY minute",
        (run, at, at + MINUTES_PER_QUARTER - 1),
    ).fetchall()
    cells: dict[int, Cell] = {}
    for channel, *values in rows:
        _join(cells, {channel: plain_cell(*values)})
    connection.executemany(
        "INSERT INTO quarter (channel, run, quarter, n, min, max, mean, last,"
        " covered_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(channel, run, quarter, *plain(c)) for channel, c in sorted(cells.items())],
    )


def _join(cells: dict[int, Cell], more: Mapping[int, Cell]) -> None:
    for channel, cell in more.items():
        earlier = cells.get(channel)
        cells[channel] = cell if earlier is None else join_cells(earlier, cell)
