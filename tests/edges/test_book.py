"""A log that cannot be opened is waited for; a damaged one is set aside and kept."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.clock import Clock, uptime_us
from logger.core.tick import Cell, Tick
from logger.daemon import storing as room
from logger.daemon.book import Book
from logger.daemon.storing import Storing
from logger.errors import CardError, DamageError, StoreError
from logger.store.aside import is_ours, mark_done, set_aside, waiting
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import RunEnd, RunStart, Writer
from tests.edges.test_storing import LONGEST_S, Card, until

START = RunStart(None, None, 1_700_000_000_000_000, True, 0, "test", "[van]", {})
STAMP_US = 1_800_000_000_000_000  # 2027-01-15T08:00:00Z
NAME = "van.damaged-20270115T080000Z.db"


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Try again soon: what is told here does not depend on how long is waited."""
    monkeypatch.setattr(room, "RETRY_S", (0.01, 0.02))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "van.db"


@pytest.fixture
def started() -> Iterator[Callable[[Book], Storing]]:
    """Return what starts storing; each is ended, and its book closed."""
    made: list[tuple[Book, Storing]] = []

    def start(book: Book, trouble: str = "") -> Storing:
        made.append((book, Storing(book, trouble)))
        return made[-1][1]

    yield start
    for book, storing in made:
        storing.finish(LONGEST_S)
        book.close()


def second(index: int) -> Batch:
    """Return the batch of one second."""
    cell = Cell(1, 1.0, 1.0, float(index))
    return Batch([Tick(index, index * 10**6, index * 10**6, {"pack.current_a": cell})])


def seconds(path: Path) -> list[int]:
    """Return the seconds that a log has; none while it is being moved."""
    try:
        with Log(path) as log:
            return [tick.index for run in log.runs() for tick in log.ticks(run.id)]
    except (StoreError, sqlite3.Error):
        return []


def write(path: Path, count: int) -> None:
    """Write a log of one run."""
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch([o for i in range(count) for o in second(i).outputs]))
        writer.end_run(run, RunEnd(count * 10**6))


def test_a_card_that_cannot_be_written_at_the_start_is_waited_for(
    path: Path, started: Callable[..., Storing]
) -> None:
    card = Card()
    card.is_broken.set()
    book = Book(path, Clock(), connect=card.connect)
    with pytest.raises(CardError, match="disk I/O error"):
        book.open()
    book.begin(START)
    storing = started(book, "a card that is broken")
    assert (storing.run, storing.trouble) == (0, "a card that is broken")
    for index in range(5):
        storing.put(second(index))
    until(lambda: "disk I/O error" in storing.trouble)
    card.is_broken.clear()
    until(lambda: storing.trouble == "" and storing.run == 1)
    until(lambda: seconds(path) == [0, 1, 2, 3, 4])


@pytest.mark.parametrize("hurt", ["head", "all", "cut"])
def test_a_log_that_cannot_be_read_at_the_start_is_set_aside(
    path: Path, hurt: str
) -> None:
    write(path, 500)
    whole = path.read_bytes()
    damaged = {
        "head": bytes(100) + whole[100:],
        "all": bytes(len(whole)),
        "cut": whole[:2048],
    }[hurt]
    path.write_bytes(damaged)
    book = Book(path, Clock())
    book.open()
    book.begin(START)
    book.store(second(7))
    book.close()
    assert seconds(path) == [7]
    (aside,) = waiting(path)
    assert aside.read_bytes() == damaged
    assert aside.name in book.notice
    with Log(path) as log:
        (event,) = log.events(1)
    assert event.kind == "log damaged"
    assert aside.name in event.text


@pytest.mark.parametrize("content", [b"some text\n" * 901, b"short", b""])
def test_a_file_that_is_not_ours_is_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    book = Book(path, Clock())
    if content:
        with pytest.raises(DamageError, match="not a database"):
            book.open()
        assert path.read_bytes() == content
    else:
        book.open()  # an empty file is a log that was never begun
    book.close()
    assert waiting(path) == []


def test_somebody_elses_database_is_refused_and_not_waited_for(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE theirs (a)")
    with pytest.raises(StoreError, match="something else") as caught:
        Book(path, Clock()).open()
    assert not isinstance(caught.value, CardError | DamageError)


def test_a_log_found_damaged_while_it_is_written_goes_on_in_a_new_file(
    path: Path, started: Callable[..., Storing]
) -> None:
    book = Book(path, Clock())
    book.open()
    book.begin(START)
    storing = started(book)
    for index in range(3):
        storing.put(second(index))
    until(lambda: seconds(path) == [0, 1, 2])
    storing.set_aside("a page of noise")
    for index in range(3, 6):
        storing.put(second(index))
    until(lambda: seconds(path) == [3, 4, 5])
    (aside,) = waiting(path)
    assert seconds(aside) == [0, 1, 2]
    assert "a page of noise" in storing.notice
    with Log(path) as new, Log(aside) as old:
        (one,), (other,) = new.runs(), old.runs()
    # The same run, so that what is brought over finds its place.
    assert (one.uid, one.start_us) == (other.uid, other.start_us)
    assert storing.trouble == ""


def test_what_is_damaged_again_and_again_is_not_set_aside_for_ever(
    path: Path, started: Callable[..., Storing]
) -> None:
    book = Book(path, Clock())
    book.open()
    book.begin(START)
    storing = started(book)
    for times in range(1, room.MOST_REPLACED + 1):
        storing.set_aside("noise")
        until(lambda times=times: len(waiting(path)) == times)  # type: ignore[misc]
    storing.set_aside("noise")
    until(lambda: storing.trouble == "noise")
    storing.put(second(1))
    until(lambda: seconds(path) == [1])
    assert len(waiting(path)) == room.MOST_REPLACED


def test_a_log_is_set_aside_with_its_wal_and_nothing_is_overwritten(
    path: Path,
) -> None:
    for number in range(3):
        path.write_bytes(b"log %d" % number)
        path.with_name("van.db-wal").write_bytes(b"wal %d" % number)
        place = set_aside(path, STAMP_US)
        assert place.read_bytes() == b"log %d" % number
        assert place.with_name(place.name + "-wal").read_bytes() == b"wal %d" % number
        assert not path.exists()
    names = [each.name for each in waiting(path)]
    assert names == [NAME.replace(".db", "-2.db"), NAME.replace(".db", "-3.db"), NAME]


def test_a_log_that_was_brought_over_says_so_in_its_name(path: Path) -> None:
    path.write_bytes(b"log")
    path.with_name("van.db-wal").write_bytes(b"wal")
    done = mark_done(set_aside(path, STAMP_US), is_read=True)
    assert done.name == NAME.replace(".db", ".salvaged.db")
    assert done.with_name(done.name + "-wal").read_bytes() == b"wal"
    assert waiting(path) == []


def test_only_a_log_or_whole_pages_without_a_head_are_ours(path: Path) -> None:
    write(path, 3)
    assert is_ours(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA application_id = 7")
    assert not is_ours(path)
    path.write_bytes(b"x" * 8192)
    assert is_ours(path)
    path.write_bytes(b"x" * 8191)
    assert not is_ours(path)


def test_a_stop_does_not_wait_for_a_reader_that_stays(path: Path) -> None:
    book = Book(path, Clock())
    book.open()
    book.begin(START)
    book.store(second(1))
    with Log(path) as reader:
        walk = reader.connection.execute("SELECT tick FROM tick")
        walk.fetchone()
        begun_us = uptime_us()
        book.close()
        assert uptime_us() - begun_us < 4e6  # five seconds were waited for a lock
    assert seconds(path) == [1]
