"""The short queries of an export, beside those of the reader.

None stays open while a row is written: a reader that keeps one open keeps the writer
from taking its WAL in.
"""

import json
from collections.abc import Collection, Iterator

from logger.core.tick import US_PER_S, Cell
from logger.decode.frames import Raw
from logger.store.reader import LAST_TICK, Log
from logger.store.recording import unpack_block


def minutes_of(
    log: Log, run: int, channels: Collection[str], first: int, last: int
) -> list[tuple[int, str, Cell]]:
    """Return the minutes of some channels of a run: index, channel, cell.

    Args:
        log: The log.
        run: The run.
        channels: Names of the channels.
        first: Index of the first minute wanted.
        last: Index of the last one wanted.
    """
    names = {log.number(name): name for name in channels}
    rows = log.connection.execute(
        "SELECT minute, channel, n, min, max, last, mean * covered_s, covered_s"
        " FROM minute WHERE run = ? AND minute BETWEEN ? AND ?"
        " AND channel IN (SELECT value FROM json_each(?)) ORDER BY minute, channel",
        (run, first, last, json.dumps([each for each in names if each is not None])),
    )
    return [
        (
            minute,
            names[channel],
            Cell(n, low, high, last, integral, round(s * US_PER_S)),
        )
        for minute, channel, n, low, high, last, integral, s in rows
    ]


def newest_minute(log: Log, run: int) -> int:
    """Return the index of the newest stored minute of a run, or -1."""
    (newest,) = log.connection.execute(
        "SELECT max(minute) FROM minute WHERE run = ?", (run,)
    ).fetchone()
    return -1 if newest is None else int(newest)


def quarter_ends(log: Log, run: int, channels: Collection[str]) -> tuple[int, int]:
    """Return the oldest and newest stored quarter of some channels; (0, -1) if none."""
    ends = [
        log.connection.execute(
            "SELECT min(quarter), max(quarter) FROM quarter"
            " WHERE channel = ? AND run = ?",
            (log.number(name), run),
        ).fetchone()
        for name in channels
    ]
    known = [each for each in ends if each[0] is not None]
    if not known:
        return 0, -1
    return min(first for first, _ in known), max(last for _, last in known)


def first_minute(log: Log, run: int, from_minute: int) -> int | None:
    """Return the index of the first stored minute of a run from one on, or None."""
    (first,) = log.connection.execute(
        "SELECT min(minute) FROM minute WHERE run = ? AND minute >= ?",
        (run, from_minute),
    ).fetchone()
    return None if first is None else int(first)


def shed(log: Log, run: int) -> dict[str, int]:
    """Return what of a run is no longer kept: up to when, by its name.

    The times are microseconds since the run's zero; see the table `shed`.
    """
    rows = log.connection.execute(
        "SELECT what, until_us FROM shed WHERE run = ?", (run,)
    )
    return dict(rows.fetchall())


def raw_within(log: Log, run: int, start_us: int, end_us: int) -> Iterator[Raw]:
    """Yield the frames and lines of a stretch of a run in order of arrival.

    Args:
        log: The log.
        run: The run.
        start_us: First moment wanted, microseconds since the run's zero.
        end_us: First moment that is not wanted any more.
    """
    newest = -LAST_TICK
    while True:
        row = log.connection.execute(
            "SELECT max(first_seq, last_seq), items FROM raw_block"
            " WHERE run = ? AND first_seq > ?"
            " AND last_us >= ? AND first_us < ? ORDER BY first_seq LIMIT 1",
            (run, newest, start_us, end_us),
        ).fetchone()
        if row is None:
            return
        # A block that was stored again after it was merged lies within another.
        newest = row[0]
        for item in unpack_block(row[1]):
            if start_us <= item.t_us < end_us:
                yield item
