"""How much the flight recorder takes up, told without reading all of it again.

Sizes of blocks are added up once, run by run, and from then on only what came since.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from logger.store.connect import Connection

ROWS_A_PORTION = 500


@dataclass(slots=True)
class Meter:
    """Adds up the bytes of raw blocks; remembers how far it has come in each run."""

    _read: dict[int, tuple[int, int]] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """Bytes of all blocks that were read and not let go."""
        return sum(size for _, size in self._read.values())

    def read(self, connection: Connection) -> Iterator[None]:
        """Read on to the newest block of each run; yields between portions."""
        run = -1
        while True:
            row = connection.execute(
                "SELECT run FROM raw_block WHERE run > ? ORDER BY run LIMIT 1", (run,)
            ).fetchone()
            if row is None:
                return
            run = int(row[0])
            while self._read_on(connection, run):
                yield

    def _read_on(self, connection: Connection, run: int) -> bool:
        newest, size = self._read.get(run, (-(1 << 62), 0))
        rows = connection.execute(
            "SELECT first_seq, length(items) FROM raw_block"
            " WHERE run = ? AND first_seq > ? ORDER BY first_seq LIMIT ?",
            (run, newest, ROWS_A_PORTION),
        ).fetchall()
        if rows:
            newest = rows[-1][0]
        self._read[run] = (newest, size + sum(length for _, length in rows))
        return len(rows) == ROWS_A_PORTION

    def let_go(self, run: int, size: int) -> None:
        """Take off what was deleted from a run, bytes."""
        newest, before = self._read.get(run, (-(1 << 62), 0))
        self._read[run] = (newest, max(0, before - size))
