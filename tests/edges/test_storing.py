"""A card that takes nothing for a while costs nothing that was handed over."""

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from logger.clock import Clock, uptime_us
from logger.core.dating import Dated
from logger.core.rollup import Minute
from logger.core.tick import Cell, Tick
from logger.daemon import storing as room
from logger.daemon.book import Book
from logger.daemon.storing import Storing
from logger.daemon.waiting import MOST_BYTES, MOST_SECONDS, Waiting, weight
from logger.decode.frames import Frame
from logger.pipeline.spec import Output
from logger.store.connect import connect_for_writing
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.writer import RunEnd, RunStart

LONGEST_S = 60.0
"""Real time that anything here may take on a busy machine."""

START = RunStart(None, None, 1_700_000_000_000_000, True, 0, "test", "[van]", {})


@dataclass(slots=True)
class Card:
    """A disk that fails while it is told to, and tells when it was asked."""

    is_broken: threading.Event = field(default_factory=threading.Event)
    begins: threading.Event = field(default_factory=threading.Event)
    asked: int = 0

    def was_asked_since(self, asked: int) -> bool:
        """Return whether it has failed once more."""
        return self.asked > asked

    def connect(self, path: Path) -> "OnCard":
        """Open a file on this disk."""
        return OnCard(connect_for_writing(path), self)


@dataclass(slots=True)
class OnCard:
    """A connection to a file on such a disk."""

    inner: sqlite3.Connection
    card: Card

    def _check(self, sql: str) -> None:
        spared = "BEGIN IMMEDIATE" if self.card.begins.is_set() else "ROLLBACK"
        if self.card.is_broken.is_set() and sql != spared:
            self.card.asked += 1
            raise sqlite3.OperationalError("disk I/O error")

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> sqlite3.Cursor:
        """Run one statement, or fail."""
        self._check(sql)
        return self.inner.execute(sql, values)

    def executemany(self, sql: str, rows: Iterable[Sequence[Any]], /) -> sqlite3.Cursor:
        """Run one statement for each row, or fail."""
        self._check(sql)
        return self.inner.executemany(sql, rows)

    def close(self) -> None:
        """Close the file."""
        self.inner.close()

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return self.inner.in_transaction


@dataclass(slots=True)
class Bench:
    """A run under way on such a disk."""

    path: Path
    card: Card
    book: Book
    storing: Storing

    @property
    def run(self) -> int:
        """Number of the run."""
        return self.book.run

    def stored(self) -> list[int]:
        """Return the seconds that are in the log."""
        with Log(self.path) as log:
            return [tick.index for tick in log.ticks(self.run)]


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Try again soon: what is told here does not depend on how long is waited."""
    monkeypatch.setattr(room, "RETRY_S", (0.01, 0.02))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    card, path = Card(), tmp_path / "van.db"
    book = Book(path, Clock(), connect=card.connect)
    book.open()
    book.begin(START)
    storing = Storing(book)
    try:
        yield Bench(path, card, book, storing)
    finally:
        card.is_broken.clear()
        storing.finish(LONGEST_S)
        book.close()


def batch(second: int) -> Batch:
    """Return the batch of one second."""
    cell = Cell(1, -9.0, -9.0, -9.0)
    tick = Tick(
        second, second * 1_000_000, second * 1_000_000, {"pack.current_a": cell}
    )
    return Batch([tick], events=[Event(second, "second", str(second))])


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    pause = threading.Event()
    end_us = uptime_us() + int(LONGEST_S * 1e6)
    while not holds():
        assert uptime_us() < end_us, "waited in vain"
        pause.wait(0.005)


def test_what_is_handed_over_is_stored_in_its_order(bench: Bench) -> None:
    for second in range(20):
        bench.storing.put(batch(second))
    assert bench.storing.finish(LONGEST_S) is True
    assert bench.stored() == list(range(20))
    with Log(bench.path) as log:
        told = [int(event.text) for event in log.events(bench.run)]
    assert told == list(range(20))
    assert bench.storing.trouble == ""


def test_a_batch_is_stored_without_another_one_behind_it(bench: Bench) -> None:
    bench.storing.put(batch(0))
    until(lambda: bench.stored() == [0])


def test_a_date_goes_behind_what_waits_and_waits_for_the_card(bench: Bench) -> None:
    bench.card.is_broken.set()
    bench.storing.put(batch(0))
    bench.storing.redate(Dated(1_795_000_000_000_000, "network", 500_000))
    for second in range(1, MOST_SECONDS + 5):
        bench.storing.put(batch(second))
    until(lambda: bench.card.asked > 3)
    bench.card.is_broken.clear()
    assert bench.storing.finish(LONGEST_S)
    with Log(bench.path) as log:
        (run,) = log.runs()
        told = [each.text for each in log.events(bench.run) if each.kind == "date set"]
    assert (run.start_us, run.dated_by) == (1_795_000_000_000_000, "network")
    # By hand: 95,000,000 s after the date with which the run began.
    assert told == ["The date is confirmed by network, +95000000.0 s."]


def test_handing_over_never_waits_for_the_card(bench: Bench) -> None:
    bench.card.is_broken.set()
    for second in range(50):
        bench.storing.put(batch(second))
    until(lambda: bench.card.asked > 3)
    assert bench.stored() == []


def test_why_nothing_is_stored_is_told_and_taken_back(bench: Bench) -> None:
    bench.card.is_broken.set()
    bench.storing.put(batch(0))
    until(lambda: "disk I/O error" in bench.storing.trouble)
    bench.card.is_broken.clear()
    until(lambda: bench.storing.trouble == "")
    assert bench.stored() == [0]


def test_a_card_that_failed_for_a_while_costs_nothing(bench: Bench) -> None:
    for spell in range(3):
        asked = bench.card.asked
        bench.card.is_broken.set()
        for second in range(20 * spell, 20 * spell + 10):
            bench.storing.put(batch(second))
        until(partial(bench.card.was_asked_since, asked))
        bench.card.is_broken.clear()
        for second in range(20 * spell + 10, 20 * spell + 20):
            bench.storing.put(batch(second))
    assert bench.storing.finish(LONGEST_S) is True
    assert bench.stored() == list(range(60))


def test_trouble_is_logged_at_its_start_and_at_its_end(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING, logger=room.__name__):
        bench.card.is_broken.set()
        bench.storing.put(batch(0))
        until(lambda: bench.card.asked > 5)
        bench.card.is_broken.clear()
        until(lambda: bench.storing.trouble == "")
        bench.storing.finish(LONGEST_S)
    assert [record.levelname for record in caplog.records] == ["ERROR", "WARNING"]


def test_beyond_ten_minutes_the_oldest_is_lost_and_that_is_told(bench: Bench) -> None:
    bench.card.is_broken.set()
    bench.storing.put(batch(0))
    until(lambda: bench.card.asked > 0)
    for second in range(1, MOST_SECONDS + 3):
        bench.storing.put(batch(second))
    # 603 batches, room for 600: the oldest behind the one under way keep their sums
    # only, all in one batch.
    until(lambda: bench.storing.trouble != "")
    assert bench.storing.trouble.endswith(" 4 s were lost.")
    bench.card.is_broken.clear()
    assert bench.storing.finish(LONGEST_S) is True
    assert bench.stored() == [0, *range(5, MOST_SECONDS + 3)]
    with Log(bench.path) as log:
        events = log.events(bench.run)
    (event,) = (each for each in events if each.kind == "not stored")
    assert event.text == "The card took nothing for too long: 4 s were not stored."
    # What happened is not lost with the seconds.
    assert sum(each.kind == "second" for each in events) == MOST_SECONDS + 3


def test_a_transaction_that_cannot_be_rolled_back_bars_nothing(bench: Bench) -> None:
    bench.card.begins.set()  # begins, fails, and cannot even be rolled back
    bench.card.is_broken.set()
    bench.storing.put(batch(0))
    until(lambda: bench.card.asked > 3)
    bench.card.is_broken.clear()
    # The log has it a moment before the trouble is taken back.
    until(lambda: bench.storing.trouble == "")
    assert bench.stored() == [0]


def test_a_card_that_takes_nothing_is_not_waited_for_at_the_end(bench: Bench) -> None:
    bench.card.is_broken.set()
    for second in range(5):
        bench.storing.put(batch(second))
    until(lambda: bench.card.asked > 0)
    begin_us = uptime_us()
    assert bench.storing.finish(0.2) is False
    # Far less than what trying on would take: for ever.
    assert uptime_us() - begin_us < 20e6
    assert "disk I/O error" in bench.storing.trouble
    bench.card.is_broken.clear()
    assert bench.stored() == []


def test_a_card_that_comes_back_while_the_end_waits_takes_everything(
    bench: Bench,
) -> None:
    bench.card.is_broken.set()
    for second in range(5):
        bench.storing.put(batch(second))
    until(lambda: bench.card.asked > 0)
    mend = threading.Timer(0.1, bench.card.is_broken.clear)
    mend.start()
    assert bench.storing.finish(LONGEST_S) is True
    mend.join()
    assert bench.stored() == list(range(5))


def test_who_ends_does_not_sleep_through_the_return_of_the_card(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The next try would be far beyond what the end may take.
    monkeypatch.setattr(room, "RETRY_S", (100 * LONGEST_S,))
    bench.card.is_broken.set()
    for second in range(5):
        bench.storing.put(batch(second))
    until(lambda: bench.card.asked > 0 and bench.storing.trouble != "")
    bench.card.is_broken.clear()
    assert bench.storing.finish(LONGEST_S) is True
    assert bench.stored() == list(range(5))


def test_an_end_without_anything_waiting_is_clean(bench: Bench) -> None:
    assert bench.storing.finish(LONGEST_S) is True
    assert bench.storing.finish(LONGEST_S) is True  # and may be told twice


def test_the_log_is_whole_and_can_be_ended_after_it_all(bench: Bench) -> None:
    bench.card.is_broken.set()
    bench.storing.put(batch(0))
    until(lambda: bench.card.asked > 2)
    bench.card.is_broken.clear()
    assert bench.storing.finish(LONGEST_S) is True
    bench.book.end(RunEnd(1), Batch())
    with closing(sqlite3.connect(bench.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def frames(second: int, count: int) -> Batch:
    """Return the batch of a second with so many frames and a minute that ended."""
    made = batch(second)
    raw = [
        Frame(second * 1_000_000 + i, i, "drive", 1, False, bytes(8))
        for i in range(count)
    ]
    minute = Minute(second, {"pack.current_a": Cell(1, 1.0, 1.0, 1.0)})
    return Batch([*made.outputs, minute], raw, made.events)


def test_what_waits_is_weighed_and_frames_go_first() -> None:
    waiting = Waiting()
    one = weight(frames(0, 10_000))
    count = MOST_BYTES // one + 10
    for second in range(count):
        waiting.add(frames(second, 10_000))
    assert 0 < waiting.lost.items <= 20 * 10_000
    assert waiting.lost.seconds == 0
    kept = []
    while len(waiting):
        kept.append(waiting.first)
        waiting.done()
    batches = [each for each in kept if isinstance(each, Batch)]
    assert sum(map(weight, batches)) <= MOST_BYTES
    # The one under way is whole; of the others the youngest keep their frames.
    assert [bool(each.raw) for each in batches[:3]] == [True, False, False]
    assert batches[-1].raw
    assert sum(len(each.outputs) for each in batches) == 2 * count


def test_hours_without_a_card_keep_their_minutes_and_little_else() -> None:
    waiting = Waiting()
    for second in range(2400):
        waiting.add(frames(second, 3))
    assert len(waiting) <= MOST_SECONDS
    outputs: list[Output] = []
    while len(waiting):
        item = waiting.first
        assert isinstance(item, Batch)
        outputs += item.outputs
        waiting.done()
    assert sum(isinstance(each, Minute) for each in outputs) == 2400
    assert sum(isinstance(each, Tick) for each in outputs) <= MOST_SECONDS


def test_a_batch_that_can_never_be_stored_bars_nothing_behind_it(bench: Bench) -> None:
    good = batch(1)
    # Beyond what SQLite has room for: no card and no waiting will mend that.
    bad = Batch(good.outputs, events=[Event(1 << 70, "a", "b")])
    bench.storing.put(batch(0))
    bench.storing.put(bad)
    bench.storing.put(batch(2))
    until(lambda: bench.stored() == [0, 1, 2])
    assert bench.storing.finish(LONGEST_S) is True
    with Log(bench.path) as log:
        (event,) = (e for e in log.events(bench.run) if e.kind == "not stored")
    assert "events" in event.text
    assert "seconds" not in event.text
