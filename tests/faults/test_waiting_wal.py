"""A reader that stays: the log grows beside itself, and that is told."""

from pathlib import Path
from random import Random

from logger.decode.frames import Line
from logger.store.connect import CUT_BACK_BYTES
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.waiting_wal import ALARM_BYTES, WaitingWal, wal_bytes
from logger.store.writer import Writer
from tests.faults.life import start_of

NOISE = Random(1)


def store_much(writer: Writer, run: int, first: int, until_bytes: int) -> int:
    """Store noise until so much waits beside the log; return the next number."""
    while wal_bytes(writer.path) < until_bytes:
        lines = [
            Line(seq, seq, "meter", NOISE.randbytes(60_000))
            for seq in range(first, first + 40)
        ]
        writer.store(run, Batch(raw=lines))
        first += 40
    return first


def test_a_reader_that_stays_is_told_until_it_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    watch = WaitingWal(path)
    assert wal_bytes(path) == 0
    with Writer(path) as writer:
        run = writer.begin_run(start_of(0))
        writer.store(run, Batch(raw=[Line(0, 0, "meter", b"first")]))
        with Log(path) as log:
            log.connection.execute("BEGIN")
            log.connection.execute("SELECT count(*) FROM run").fetchone()
            assert watch.look() == ""
            first = store_much(writer, run, 1, ALARM_BYTES)
            assert "wait beside the log" in watch.look()
            assert watch.look() == ""  # told once
        # It is gone: what waited is taken in, and the card has its room back.
        writer.store(run, Batch(raw=[Line(first, first, "meter", b"last")]))
        writer.store(run, Batch(raw=[Line(first + 1, first + 1, "meter", b"")]))
        assert wal_bytes(path) <= CUT_BACK_BYTES
        assert "taken in" in watch.look()
        assert watch.look() == ""
    with Log(path) as log:
        assert [item.seq for item in log.raw(run)] == list(range(first + 2))
