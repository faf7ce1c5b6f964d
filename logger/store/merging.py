"""Makes few large blocks of the flight recorder's many small ones, off the hot path.

A live run stores a block a second; what lies behind is packed together, since a larger
block holds the same items in a third of the bytes.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from logger.store.connect import Connection
from logger.store.packed import DamagedRowError
from logger.store.recording import ITEMS_PER_BLOCK, pack_block, unpack_block

BLOCKS_A_PORTION = 100
BEFORE_ALL = -(1 << 62)

Transaction = Callable[[Callable[[], bool]], bool]
"""Does something in one transaction, and returns what it returned."""

Row = tuple[int, int, int, int]
"""One block: first and last sequence number, time of its latest item, how many."""


@dataclass(slots=True)
class Merging:
    """Merges the blocks of runs, each from where it last stopped.

    Args:
        connection: The log.
        transaction: How something is done in one transaction.
    """

    connection: Connection
    transaction: Transaction
    _done: dict[int, int] = field(default_factory=dict)

    def work(self, run: int, until_us: int) -> Iterator[None]:
        """Merge what lies before a moment of a run; yields between portions.

        Args:
            run: The run.
            until_us: The moment, microseconds since the run's zero.
        """
        while rows := self._next(run, until_us):
            group = _together(rows)
            if len(group) > 1:
                self._merge(run, [first_seq for first_seq, *_ in group])
            self._done[run] = group[-1][0]
            yield

    def _next(self, run: int, until_us: int) -> list[Row]:
        rows = self.connection.execute(
            "SELECT first_seq, last_seq, last_us, n FROM raw_block"
            " WHERE run = ? AND first_seq > ? ORDER BY first_seq LIMIT ?",
            (run, self._done.get(run, BEFORE_ALL), BLOCKS_A_PORTION),
        ).fetchall()
        behind = [row for row in rows if row[2] < until_us]
        return behind if behind == rows[: len(behind)] else []

    def _merge(self, run: int, keys: list[int]) -> None:
        try:
            items = [
                item for key in keys for item in unpack_block(self._block(run, key))
            ]
        except DamagedRowError:
            return  # left as they are: the others of them can still be read
        times = [item.t_us for item in items]
        row = (
            run, keys[0], items[-1].seq, min(times), max(times), len(items),
            pack_block(items),
        )  # fmt: skip

        def replace() -> bool:
            self.connection.executemany(
                "DELETE FROM raw_block WHERE run = ? AND first_seq = ?",
                [(run, key) for key in keys],
            )
            self.connection.execute(
                "INSERT INTO raw_block (run, first_seq, last_seq, first_us, last_us,"
                " n, items) VALUES (?, ?, ?, ?, ?, ?, ?)",
                row,
            )
            return True

        self.transaction(replace)

    def _block(self, run: int, first_seq: int) -> bytes:
        row = self.connection.execute(
            "SELECT items FROM raw_block WHERE run = ? AND first_seq = ?",
            (run, first_seq),
        ).fetchone()
        return bytes(row[0])


def _together(rows: list[Row]) -> list[Row]:
    """Return the first rows that go into one block: at least one.

    Only blocks that follow one another: where one is missing, another copy of the log
    may have it, and must find its place.
    """
    group = rows[:1]
    count = rows[0][3]
    for row in rows[1:]:
        count += row[3]
        if count > ITEMS_PER_BLOCK or row[0] != group[-1][1] + 1:
            break
        group.append(row)
    return group
