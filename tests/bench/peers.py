"""What the log is measured against: plain indexed rows, and a file that only grows.

The log stores n, lowest, highest, newest, integral and covered time of a channel each
second. Rows are written with all six, and, which flatters them, with the newest alone,
as the growing file does.
"""

import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.core.tick import Tick
from logger.store.connect import Connect, Connection

SAMPLES = (
    "CREATE TABLE sample (t_us INTEGER NOT NULL, channel INTEGER NOT NULL,"
    " value REAL NOT NULL)"
)
INDEX = "CREATE INDEX sample_by_channel ON sample (channel, t_us)"

RECORD = struct.Struct("<qHd")
"""Time in microseconds, channel, value: nothing left out, nothing padded."""


@dataclass(slots=True)
class IndexedRows:
    """A row a value, an index by channel and time, a transaction a second."""

    connection: Connection
    numbers: dict[str, int]

    def store(self, tick: Tick) -> None:
        """Store one second."""
        rows = [
            (tick.last_us, self.numbers.setdefault(name, len(self.numbers)), cell.last)
            for name, cell in tick.cells.items()
        ]
        self.connection.execute("BEGIN IMMEDIATE")
        self.connection.executemany(
            "INSERT INTO sample (t_us, channel, value) VALUES (?, ?, ?)", rows
        )
        self.connection.execute("COMMIT")


@dataclass(slots=True)
class WholeRows:
    """A row of all six values a channel, an index, a transaction a second."""

    connection: Connection
    numbers: dict[str, int]

    def store(self, tick: Tick) -> None:
        """Store one second."""
        rows = [
            (
                tick.last_us,
                self.numbers.setdefault(name, len(self.numbers)),
                cell.n,
                cell.low,
                cell.high,
                cell.last,
                cell.integral,
                cell.covered_us,
            )
            for name, cell in tick.cells.items()
        ]
        self.connection.execute("BEGIN IMMEDIATE")
        self.connection.executemany(
            "INSERT INTO sample (t_us, channel, n, low, high, last, integral,"
            " covered_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            rows,
        )
        self.connection.execute("COMMIT")


@contextmanager
def whole_rows(path: Path, connect: Connect) -> Iterator[WholeRows]:
    """Give a table of plain rows of all six values to write to."""
    connection = connect(path)
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(
        "CREATE TABLE sample (t_us INTEGER NOT NULL, channel INTEGER NOT NULL,"
        " n INTEGER NOT NULL, low REAL NOT NULL, high REAL NOT NULL,"
        " last REAL NOT NULL, integral REAL NOT NULL, covered_us INTEGER NOT NULL)"
    )
    connection.execute(INDEX)
    yield WholeRows(connection, {})
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    connection.close()


@contextmanager
def indexed_rows(path: Path, connect: Connect) -> Iterator[IndexedRows]:
    """Give a table of plain rows to write to; takes the WAL in at the end."""
    connection = connect(path)
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(SAMPLES)
    connection.execute(INDEX)
    yield IndexedRows(connection, {})
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    connection.close()


@dataclass(slots=True)
class GrowingFile:
    """Fixed records, one behind the other, flushed once a second."""

    file: int
    numbers: dict[str, int]

    def store(self, tick: Tick) -> None:
        """Store one second."""
        records = b"".join(
            RECORD.pack(
                tick.last_us,
                self.numbers.setdefault(name, len(self.numbers)),
                cell.last,
            )
            for name, cell in tick.cells.items()
        )
        os.write(self.file, records)
        os.fsync(self.file)


@contextmanager
def growing_file(path: Path) -> Iterator[GrowingFile]:
    """Give a file of records to write to."""
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        yield GrowingFile(file, {})
    finally:
        os.close(file)


def one_channel(folder: Path, values: Iterable[tuple[int, float]]) -> None:
    """Make both peers of one channel alone, which flatters them: nothing lies between.

    Args:
        folder: Gets `rows.db` and `file`.
        values: Time in microseconds, value; rising.
    """
    with (
        closing(sqlite3.connect(folder / "rows.db", isolation_level=None)) as rows,
        (folder / "file").open("wb") as file,
    ):
        rows.execute("PRAGMA synchronous = OFF")
        rows.execute(SAMPLES)

        def stored() -> Iterator[tuple[int, int, float]]:
            for t_us, value in values:
                file.write(RECORD.pack(t_us, 0, value))
                yield t_us, 0, value

        rows.execute("BEGIN")
        rows.executemany("INSERT INTO sample VALUES (?, ?, ?)", stored())
        rows.execute(INDEX)
        rows.execute("COMMIT")


def chart_of_rows(
    path: Path, channel: int, start_us: int, end_us: int, points: int
) -> list[tuple[int, float, float, float]]:
    """Return lowest, highest and mean of buckets of one channel, from rows."""
    step_us = max(1, (end_us - start_us) // points)
    with closing(sqlite3.connect(path)) as log:
        return log.execute(
            "SELECT t_us / ?, min(value), max(value), avg(value) FROM sample"
            " WHERE channel = ? AND t_us >= ? AND t_us < ? GROUP BY 1",
            (step_us, channel, start_us, end_us),
        ).fetchall()


def chart_of_file(
    path: Path, channel: int, start_us: int, end_us: int, points: int
) -> list[tuple[float, float, float]]:
    """Return lowest, highest and mean of buckets of one channel, from the file."""
    step_us = max(1, (end_us - start_us) // points)
    buckets: dict[int, list[float]] = {}
    for t_us, which, value in RECORD.iter_unpack(path.read_bytes()):
        if which == channel and start_us <= t_us < end_us:
            buckets.setdefault(t_us // step_us, []).append(value)
    return [(min(each), max(each), sum(each) / len(each)) for each in buckets.values()]
