"""Small blocks of the flight recorder become large ones, and hold the same items."""

import sqlite3
from contextlib import closing
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from logger.core.tick import Cell, Tick
from logger.decode.frames import Beat, Frame, Line, Raw
from logger.store.reader import Log
from logger.store.recording import ITEMS_PER_BLOCK, pack_block, unpack_block
from logger.store.rows import Batch
from logger.store.writer import RunStart, Writer
from tests.builders import LAW

START = RunStart(None, None, 1_700_000_000_000_000, True, 0, "test", "[van]", {})


def second(index: int) -> tuple[Tick, list[Raw]]:
    """Return a second of a run and the items that came in it."""
    at_us = index * 1_000_000
    items: list[Raw] = [
        Frame(at_us + i, index * 13 + i, "drive", 0x100 + i % 3, i % 2 == 0,
              bytes([index & 0xFF, i, 0, 7]))
        for i in range(11)
    ]  # fmt: skip
    items.append(Line(at_us + 50, index * 13 + 11, "meter", b"V %d" % index))
    items.append(Beat(at_us + 60, index * 13 + 12))
    cell = Cell(1, 1.0, 1.0, 1.0)
    return Tick(index, at_us, at_us, {"key.on": cell}), items


def write(path: Path, seconds: int) -> list[Raw]:
    """Write so many seconds, a block each; return all items."""
    everything: list[Raw] = []
    with Writer(path) as writer:
        run = writer.begin_run(START)
        for index in range(seconds):
            tick, items = second(index)
            everything += items
            writer.store(run, Batch([tick], items))
        while writer.tidy():
            pass
    return everything


def counts(path: Path) -> list[int]:
    """Return how many items each block has, in order."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT n FROM raw_block ORDER BY run, first_seq")
        return [n for (n,) in rows]


def test_blocks_that_lie_behind_are_merged_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    everything = write(path, 1000)
    with Log(path) as log:
        assert list(log.raw(1)) == everything
    merged, newest = counts(path)[:-100], counts(path)[-100:]
    assert newest == [13] * 100
    assert sum(merged) == 900 * 13
    assert len(merged) < 12
    assert max(merged) <= ITEMS_PER_BLOCK


def test_a_block_that_is_stored_again_after_merging_is_read_once(
    tmp_path: Path,
) -> None:
    path = tmp_path / "van.db"
    everything = write(path, 950)
    with Writer(path) as writer:
        writer.store(1, Batch(raw=second(30)[1]))
    with Log(path) as log:
        assert list(log.raw(1)) == everything


def test_a_damaged_block_is_left_for_somebody_to_read(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = writer.begin_run(START)
        for index in range(950):
            tick, items = second(index)
            writer.store(run, Batch([tick], items))
        with closing(sqlite3.connect(path)) as other, other:
            other.execute("UPDATE raw_block SET items = x'00' WHERE first_seq = 130")
        while writer.tidy():
            pass
    with closing(sqlite3.connect(path)) as connection:
        row = connection.execute("SELECT items FROM raw_block WHERE first_seq = 130")
        assert row.fetchone() == (b"\x00",)
    assert sum(counts(path)) == 950 * 13


@LAW
@given(st.lists(st.integers(0, 60), min_size=1, max_size=30))
def test_merging_blocks_is_packing_all_items(sizes: list[int]) -> None:
    items = [item for index in range(40) for item in second(index)[1]]
    blocks, at = list[list[Raw]](), 0
    for size in sizes:
        blocks.append(items[at : at + size + 1])
        at += size + 1
    kept = [block for block in blocks if block]
    back = [item for block in kept for item in unpack_block(pack_block(block))]
    assert unpack_block(pack_block(back)) == items[:at]
