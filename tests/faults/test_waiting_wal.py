"""A reader that stays: the log grows beside itself, and that is told."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.store.connect import CUT_BACK_BYTES
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.waiting_wal import ALARM_BYTES, WaitingWal, wal_bytes
from logger.store.writer import RunEnd, Writer
from tests.edges.living import living
from tests.faults.cutting import workshop
from tests.faults.life import start_of

LONG = 1 << 20


@pytest.fixture
def shop() -> Iterator[Path]:
    """Return a folder in memory: a good deal is written."""
    with workshop() as folder:
        yield folder


def test_a_logger_notes_what_waits_beside_its_log(shop: Path) -> None:
    path = shop / "van.db"
    with closing(sqlite3.connect(path)) as staying:
        with Writer(path) as writer:
            run = writer.begin_run(start_of(0))
            staying.execute("BEGIN")
            staying.execute("SELECT count(*) FROM run").fetchone()
            store_much(writer, run)
            writer.end_run(run, RunEnd(1))
        with living(shop) as van:
            van.until(lambda now: now.seq > 10)
            van.end_logger()
    with Log(path) as log:
        events = {event.kind: event.text for event in log.events(2)}
    assert "End whatever else has the log open" in events["log held open"]


def store_much(writer: Writer, run: int) -> int:
    """Store until the alarm is due; return how many events that took."""
    count = 0
    while wal_bytes(writer.path) < ALARM_BYTES:
        writer.store(run, Batch(events=[Event(count, "note", "x" * LONG)]))
        count += 1
    return count


def test_a_reader_that_stays_is_told_until_it_is_gone(shop: Path) -> None:
    path = shop / "van.db"
    watch = WaitingWal(path)
    assert wal_bytes(path) == 0
    with Writer(path) as writer:
        run = writer.begin_run(start_of(0))
        with Log(path) as log:
            log.connection.execute("BEGIN")
            log.connection.execute("SELECT count(*) FROM run").fetchone()
            assert watch.look() == ""
            count = store_much(writer, run)
            assert "wait beside the log" in watch.look()
            assert watch.look() == ""  # told once
        # It is gone: what waited is taken in, and the card has its room back.
        for after in (count, count + 1):
            writer.store(run, Batch(events=[Event(after, "note", "after")]))
        assert wal_bytes(path) <= CUT_BACK_BYTES
        assert "taken in" in watch.look()
        assert watch.look() == ""
    with Log(path) as log:
        assert [event.t_us for event in log.events(run)] == list(range(count + 2))
