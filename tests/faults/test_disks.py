"""Disks that fill up, refuse, hang and break under a logger that runs.

The logger is the real one, over virtual buses and pseudo-terminals; the disks are real
file systems. Live values go on, what was acknowledged stays, what waited is stored.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.decode.frames import Frame, Line
from logger.live import Snapshot
from logger.store.reader import Log
from logger.store.writer import Writer
from tests.edges.living import SPEED, Living, lived_s, living
from tests.faults.disks import (
    Card,
    Disk,
    cannot_mount,
    cannot_mount_cards,
    card,
    small_disk,
)

pytestmark = pytest.mark.skipif(bool(cannot_mount()), reason=cannot_mount())

REAL_TIME = 1.0

LITTLE = 400_000
"""Room that the log of a van fills in seconds here, bytes."""


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    with small_disk(tmp_path) as mounted:
        yield mounted


@pytest.fixture
def ext4(tmp_path: Path) -> Iterator[Card]:
    if cannot_mount_cards():
        pytest.skip(cannot_mount_cards())
    with card(tmp_path) as mounted:
        yield mounted


def seconds_stored(log: Path) -> int:
    """Return how many seconds of the newest run are stored."""
    with Log(log) as opened:
        return sum(1 for _ in opened.ticks(max(run.id for run in opened.runs())))


def is_stored_again(now: Snapshot) -> bool:
    return now.not_stored == ""


def goes_on(van: Living, since: Snapshot) -> Snapshot:
    """Wait until the live view has gone on for some rounds; return it."""
    return van.until(lambda now: now.seq > since.seq + 10)


def has_shed(log: Path) -> bool:
    """Return whether a log has let anything go to make room."""
    with Log(log) as opened:
        return opened.connection.execute("SELECT 1 FROM shed").fetchone() is not None


def assert_whole(log: Path, at_least: int) -> None:
    """Hold a log to be sound, with every second in it that was heard."""
    with closing(sqlite3.connect(log)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
        shed = plain.execute("SELECT what FROM shed").fetchall()
    with Log(log) as opened:
        (run,) = opened.runs()
        indexes = [tick.index for tick in opened.ticks(run.id)]
        raw = list(opened.raw(run.id))
        kinds = {event.kind for event in opened.events(run.id)}
    assert indexes[-1] + 1 >= at_least
    # Every second in which something was heard; on a busy machine the invented van may
    # leave one out.
    silent = set(range(indexes[0], indexes[-1] + 1)) - set(indexes)
    heard = {item.t_us // 1_000_000 for item in raw if isinstance(item, Frame | Line)}
    assert silent.isdisjoint(heard)
    seqs = [item.seq for item in raw]
    # Frames may have been let go to make room, the oldest first, and nothing else.
    assert seqs == list(range(seqs[0], seqs[-1] + 1))
    assert seqs[0] == 0 or shed == [("frames",)]
    assert "not stored" not in kinds


def test_a_full_disk_is_told_and_stored_on_once_there_is_room(
    tmp_path: Path, disk: Disk
) -> None:
    with living(tmp_path, REAL_TIME, disk.log) as van:
        van.until(lambda now: lived_s(now) > 3)
        stored = seconds_stored(disk.log)
        disk.fill()
        told = van.until(lambda now: "full" in now.not_stored)
        # Within ten seconds: not more than that waits for room.
        assert lived_s(told) - seconds_stored(disk.log) <= 10
        still = goes_on(van, told)
        assert "full" in still.not_stored
        assert still.readings["pack.current_a"].age_s < 5
        waiting = lived_s(still)
        disk.make_room()
        van.until(is_stored_again)
        van.until(lambda now: lived_s(now) > waiting + 2)
        van.end_logger()
    assert_whole(disk.log, int(max(stored, waiting)))


def test_a_disk_fills_by_what_is_logged_and_nothing_stored_is_lost(
    tmp_path: Path, disk: Disk
) -> None:
    with living(tmp_path, 4 * SPEED, disk.log) as van:
        van.until(lambda now: lived_s(now) > 3)
        disk.fill(all_but=LITTLE)
        # It fills up, or frames are let go in time.
        told = van.until(lambda now: "full" in now.not_stored or has_shed(disk.log))
        stored = seconds_stored(disk.log)
        goes_on(van, told)
        van.errors.clear()
        van.stop.set()
        assert van.thread is not None
        van.thread.join()
        # Room may have been made by letting frames go; else the end says what it cost.
        assert all("full" in str(error) for error in van.errors)
        van.errors.clear()
    assert seconds_stored(disk.log) >= stored


def test_a_card_that_refuses_for_a_while_is_told_and_stored_on(
    tmp_path: Path, ext4: Card
) -> None:
    with living(tmp_path, SPEED, ext4.log) as van:
        van.until(lambda now: lived_s(now) > 20)
        ext4.refuse()
        told = van.until(lambda now: now.not_stored != "")
        assert lived_s(goes_on(van, told)) > lived_s(told)
        ext4.accept()
        back = van.until(is_stored_again)
        van.until(lambda now: lived_s(now) > lived_s(back) + 5)
        van.end_logger()
    assert_whole(ext4.log, int(lived_s(back)))


def test_a_card_that_hangs_is_told_and_stored_on(tmp_path: Path, ext4: Card) -> None:
    with living(tmp_path, SPEED, ext4.log) as van:
        van.until(lambda now: lived_s(now) > 20)
        with ext4.hanging():
            told = van.until(lambda now: "slow" in now.not_stored)
            assert lived_s(goes_on(van, told)) > lived_s(told)
        back = van.until(is_stored_again)
        van.until(lambda now: lived_s(now) > lived_s(back) + 5)
        van.end_logger()
    assert_whole(ext4.log, int(lived_s(back)))


def test_a_card_that_turned_read_only_and_was_mended_is_stored_on(
    tmp_path: Path, ext4: Card
) -> None:
    with living(tmp_path, SPEED, ext4.log) as van:
        van.until(lambda now: lived_s(now) > 20)
        stored = seconds_stored(ext4.log)
        ext4.break_down()
        told = van.until(lambda now: now.not_stored != "")
        assert lived_s(goes_on(van, told)) > lived_s(told)
        # Mended and put in again, it is written on: the same run, and all of it.
        ext4.put_in_again()
        back = van.until(is_stored_again)
        van.until(lambda now: lived_s(now) > lived_s(back) + 5)
        van.end_logger()
    assert_whole(ext4.log, max(stored, int(lived_s(back))))


def test_a_card_that_is_read_only_at_the_start_gets_all_from_the_first_second(
    tmp_path: Path, ext4: Card
) -> None:
    Writer(ext4.log).close()
    ext4.remount("ro")
    with living(tmp_path, SPEED, ext4.log) as van:
        told = van.until(lambda now: "read-only" in now.not_stored)
        assert told.readings["pack.current_a"].age_s < 5
        van.until(lambda now: lived_s(now) > lived_s(told) + 20)
        ext4.remount("rw")
        back = van.until(is_stored_again)
        van.until(lambda now: lived_s(now) > lived_s(back) + 5)
        van.end_logger()
    assert_whole(ext4.log, int(lived_s(back)))
    with Log(ext4.log) as log:
        assert next(iter(log.ticks(1))).index == 0


def test_a_card_that_stays_read_only_keeps_what_was_stored(
    tmp_path: Path, ext4: Card
) -> None:
    with living(tmp_path, SPEED, ext4.log) as van:
        van.until(lambda now: lived_s(now) > 20)
        stored = seconds_stored(ext4.log)
        ext4.break_down()
        told = van.until(lambda now: now.not_stored != "")
        van.stop.set()
        assert van.thread is not None
        van.thread.join()
        (error,) = van.errors
        assert told.not_stored
        assert "the last seconds were lost" in str(error)
        van.errors.clear()
        ext4.put_in_again()
        van.start_logger()
        van.until(lambda now: now.run == 2 and lived_s(now) > 5)
        van.end_logger()
    with Log(ext4.log) as log:
        first, second = log.runs()
        assert sum(1 for _ in log.ticks(first.id)) >= stored
        assert [event.kind for event in log.events(first.id)][-1] == "cut off"
        assert log.has_ticks(second.id)
