"""Takes items out of the flight recorder's blocks, and packs again what is left.

What is left of a block stays one block: its numbers have a hole, by which everybody
sees that it is no longer whole.
"""

from collections.abc import Callable, Iterator
from functools import partial

from logger.decode.frames import Raw
from logger.store.connect import Connection, in_transaction
from logger.store.packed import DamagedRowError
from logger.store.recording import unpack_block
from logger.store.rows import raw_row

BLOCKS_A_STEP = 16
BEFORE_ALL = -(1 << 62)

Keep = Callable[[Raw], Raw | None]
"""Returns what is kept in the place of an item; None for nothing."""


def refill(
    connection: Connection,
    run: int,
    keep: Keep,
    within_us: tuple[int, int] = (BEFORE_ALL, -BEFORE_ALL),
) -> Iterator[str]:
    """Go through the blocks of a run, step by step; yield what each step did.

    A block that cannot be read goes whole: nobody knows what is in it.

    Args:
        connection: The log; no transaction is under way.
        run: The run.
        keep: Says what of an item is kept.
        within_us: Only blocks that have something of that time, microseconds since the
            run's zero; of a block that an early version could not read, nobody knows.
    """
    newest = BEFORE_ALL
    while True:
        rows = connection.execute(
            "SELECT first_seq FROM raw_block WHERE run = ? AND first_seq > ?"
            " AND (first_us <= ? AND last_us >= ? OR last_us = 0)"
            " ORDER BY first_seq LIMIT ?",
            (run, newest, within_us[1], within_us[0], BLOCKS_A_STEP),
        ).fetchall()
        if not rows:
            return
        keys = [int(key) for (key,) in rows]
        in_transaction(connection, partial(_refill, connection, run, keys, keep))
        newest = keys[-1]
        yield f"frames of run {run}"


def _refill(connection: Connection, run: int, keys: list[int], keep: Keep) -> None:
    for key in keys:
        (packed,) = connection.execute(
            "SELECT items FROM raw_block WHERE run = ? AND first_seq = ?", (run, key)
        ).fetchone()
        try:
            items = unpack_block(packed)
        except DamagedRowError:
            _delete(connection, run, key)
            continue
        kept = [found for found in map(keep, items) if found is not None]
        if kept == items:
            continue
        _delete(connection, run, key)
        if kept:
            _insert(connection, raw_row(run, kept))


def _delete(connection: Connection, run: int, key: int) -> None:
    connection.execute(
        "DELETE FROM raw_block WHERE run = ? AND first_seq = ?", (run, key)
    )


def _insert(connection: Connection, row: tuple[int | bytes, ...]) -> None:
    # A block that was stored again lies within another, and may begin at what is left.
    connection.execute(
        "INSERT INTO raw_block (run, first_seq, last_seq, first_us, last_us, n, items)"
        " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (run, first_seq) DO UPDATE SET"
        " last_seq = excluded.last_seq, first_us = excluded.first_us,"
        " last_us = excluded.last_us, n = excluded.n, items = excluded.items"
        " WHERE excluded.last_seq > last_seq",
        row,
    )


def empty(connection: Connection, run: int) -> Iterator[str]:
    """Let all blocks of a run go, step by step."""
    while True:

        def delete() -> bool:
            connection.execute(
                "DELETE FROM raw_block WHERE run = ? AND first_seq IN (SELECT"
                " first_seq FROM raw_block WHERE run = ? ORDER BY first_seq LIMIT ?)",
                (run, run, BLOCKS_A_STEP),
            )
            (count,) = connection.execute("SELECT changes()").fetchone()
            return bool(count)

        if not in_transaction(connection, delete):
            return
        yield f"frames of run {run}"
