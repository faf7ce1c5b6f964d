"""Logs as earlier versions of the program left them, with one run in each."""

from contextlib import closing
from pathlib import Path

from logger.core.tick import Tick
from logger.store.connect import Connection, connect_for_writing
from logger.store.migrations import APPLICATION_ID, MIGRATIONS
from logger.store.packed import pack
from logger.store.recording import blocks, pack_block
from tests.faults.recording import CHANNELS, made_up

START_US = 1_780_000_000_000_000
NUMBERS = {name: number for number, name in enumerate(CHANNELS, start=1)}

RUN = """
INSERT INTO run (id, start_us, is_start_sure, zero_stamp_us, end_us, program, van_text,
    descriptions) VALUES (1, ?, 0, 0, 90000000, 'ampledger 0', '[van]', '{}')
"""


def write_old_log(path: Path, version: int) -> None:
    """Write a log of an earlier version.

    Args:
        path: Where there is no file yet.
        version: Of the tables, from 1 on.
    """
    with closing(connect_for_writing(path)) as connection:
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        for change in MIGRATIONS[:version]:
            change.make(connection)
            connection.execute(
                "INSERT INTO schema_change VALUES (?, ?, 1234)",
                (change.version, change.what),
            )
            connection.execute(f"PRAGMA user_version = {change.version}")
            if change.version == 1:
                _fill(connection)
        connection.execute("COMMIT")


def _fill(connection: Connection) -> None:
    """Store a run as the first version did."""
    batches = made_up(0, 100).batches
    connection.execute(RUN, (START_US,))
    connection.executemany(
        "INSERT INTO channel VALUES (?, ?, '', '')",
        [(number, name) for name, number in NUMBERS.items()],
    )
    ticks = [out for each in batches for out in each.outputs if isinstance(out, Tick)]
    connection.executemany(
        "INSERT INTO tick VALUES (1, ?, ?)", [_tick_row(tick) for tick in ticks]
    )
    raw = blocks(item for each in batches for item in each.raw)
    connection.executemany(
        "INSERT INTO raw_block VALUES (1, ?, ?, ?, ?)",
        [(b[0].seq, b[-1].seq, len(b), pack_block(b)) for b in raw],
    )
    connection.execute("INSERT INTO event VALUES (1, 5, 'note', 'New fuse: 60 A')")


def _tick_row(tick: Tick) -> tuple[int, bytes]:
    cells = [
        (NUMBERS[name], cell) for name, cell in tick.cells.items() if name in NUMBERS
    ]
    return tick.index, pack(tick.first_us, tick.last_us, cells)
