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

from logger.clock import uptime_us
from logger.core.dating import Dated
from logger.core.tick import Cell, Tick
from logger.daemon import storing as room
from logger.daemon.storing import MOST_WAITING, Storing
from logger.store.connect import connect_for_writing
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.writer import RunEnd, RunStart, Writer

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
    writer: Writer
    run: int
    storing: Storing

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
    with Writer(path, card.connect) as writer:
        run = writer.begin_run(START)
        storing = Storing(writer, run)
        try:
            yield Bench(path, card, writer, run, storing)
        finally:
            card.is_broken.clear()
            storing.finish(LONGEST_S)


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
    for second in range(1, MOST_WAITING + 5):
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
    for second in range(1, MOST_WAITING + 3):
        bench.storing.put(batch(second))
    # 603 batches, room for 600: the three after the one under way are lost.
    until(lambda: bench.storing.trouble != "")
    assert bench.storing.trouble.endswith(" 3 s were lost.")
    bench.card.is_broken.clear()
    bench.storing.finish(LONGEST_S)
    assert bench.stored() == [0, *range(4, MOST_WAITING + 3)]
    with Log(bench.path) as log:
        (event,) = (e for e in log.events(bench.run) if e.kind == "not stored")
    assert event.text == "The card took nothing for too long: 3 s were not stored."


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
    bench.writer.end_run(bench.run, RunEnd(1))
    with closing(sqlite3.connect(bench.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
