"""The inbox: one order of times, numbers and arrival, and room for everybody."""

import itertools
import threading
from collections.abc import Callable

import pytest

from logger.clock import Clock
from logger.decode.frames import Beat, Entry, Frame, Line
from logger.sources.inbox import MOST_NOTICES, Inbox


def fill(inbox: Inbox, count: int, source: str = "bus drive") -> None:
    """Put frames of one bus in."""
    for number in range(count):
        inbox.frame(source, "drive", number, False, b"\x01")


def words(inbox: Inbox) -> list[str]:
    """Return the words of the notices, taken with everything else."""
    return [notice.text for notice in inbox.take().notices]


def test_numbers_and_times_rise_together_over_all_sources() -> None:
    inbox = Inbox(Clock())
    says: list[Callable[[], None]] = [
        lambda: inbox.frame("bus a", "a", 1, False, b""),
        lambda: inbox.line("port b", "b", b"V"),
        inbox.beat,
        lambda: inbox.entry(1, "note", "text"),
    ]

    def work(say: Callable[[], None]) -> None:
        for _ in range(2000):
            say()

    threads = [threading.Thread(target=work, args=(say,)) for say in says * 2]
    for thread in threads:
        thread.start()
    items = []
    while any(thread.is_alive() for thread in threads):
        items += inbox.take().items
    items += inbox.take().items
    assert [item.seq for item in items] == list(range(16_000))
    assert all(a.t_us <= b.t_us for a, b in itertools.pairwise(items))


def test_what_was_put_in_is_taken_out_once() -> None:
    inbox = Inbox(Clock())
    inbox.frame("bus drive", "drive", 0x18FF1234, True, b"\x01\x02")
    inbox.line("port roof", "roof", b"V=12.5")
    inbox.beat()
    inbox.entry(7, "reading", "", "awning.out", 1.0)
    frame, line, beat, entry = inbox.take().items
    assert isinstance(frame, Frame)
    assert isinstance(line, Line)
    assert isinstance(beat, Beat)
    assert isinstance(entry, Entry)
    assert (frame.bus, frame.can_id, frame.is_extended) == ("drive", 0x18FF1234, True)
    assert (frame.data, line.port, line.data) == (b"\x01\x02", "roof", b"V=12.5")
    assert (entry.number, entry.kind, entry.text) == (7, "reading", "")
    assert (entry.channel, entry.value) == ("awning.out", 1.0)
    assert inbox.take().items == []


def test_times_begin_with_the_inbox_and_go_by_its_clock() -> None:
    clock = Clock(speed=1000.0)
    clock.wait(threading.Event(), 10.0)
    before_us = clock.mono_us()
    inbox = Inbox(clock)
    clock.wait(threading.Event(), 50.0)
    inbox.beat()
    (beat,) = inbox.take().items
    assert 50_000_000 <= beat.t_us <= clock.mono_us() - before_us
    assert inbox.now_us() >= beat.t_us


def test_a_source_that_floods_loses_its_own_and_nobody_else_s() -> None:
    inbox = Inbox(Clock(), most_waiting=100)
    fill(inbox, 250)
    inbox.line("port roof", "roof", b"V=12.5")
    items = inbox.take().items
    assert sum(isinstance(item, Frame) for item in items) == 100
    assert sum(isinstance(item, Line) for item in items) == 1
    assert [item.seq for item in items] == list(range(101))
    assert (inbox.dropped("bus drive"), inbox.dropped("port roof")) == (150, 0)


def test_there_is_room_again_after_a_taking() -> None:
    inbox = Inbox(Clock(), most_waiting=10)
    fill(inbox, 11)
    inbox.take()
    fill(inbox, 10)
    assert len(inbox.take().items) == 10
    assert inbox.dropped("bus drive") == 1


def test_losses_are_told_at_the_first_at_doublings_and_at_the_end() -> None:
    inbox = Inbox(Clock(), most_waiting=10)
    fill(inbox, 10 + 9)
    told = words(inbox)
    assert [text.split()[0] for text in told] == ["1", "2", "4", "8"]
    fill(inbox, 1)
    assert words(inbox) == ["over, 9 thrown away"]
    assert words(inbox) == []


def test_a_flood_that_goes_on_is_told_as_one() -> None:
    inbox = Inbox(Clock(), most_waiting=10)
    told = []
    for _ in range(20):
        fill(inbox, 20)
        told += words(inbox)
    assert [text.split()[0] for text in told] == [
        str(2**power) for power in range(8)
    ]  # 200 losses
    assert words(inbox) == ["over, 200 thrown away"]


def test_a_notice_says_when_who_and_what() -> None:
    inbox = Inbox(Clock())
    inbox.tell("port roof", "source lost", "input/output error")
    (notice,) = inbox.take().notices
    assert 0 <= notice.t_us <= inbox.now_us()
    assert (notice.source, notice.kind) == ("port roof", "source lost")
    assert notice.text == "input/output error"


@pytest.mark.parametrize("extra", [1, 500])
def test_notices_that_nobody_takes_are_counted_and_not_kept(extra: int) -> None:
    inbox = Inbox(Clock())
    for _ in range(MOST_NOTICES + extra):
        inbox.tell("port roof", "source lost", "")
    assert len(words(inbox)) == MOST_NOTICES
    assert words(inbox) == [f"{extra} thrown away, too many were waiting"]


def test_beats_and_entries_are_never_dropped() -> None:
    inbox = Inbox(Clock(), most_waiting=1)
    fill(inbox, 5)
    for _ in range(50):
        inbox.beat()
        inbox.entry(1, "note", "charged at a friend's house")
    assert len(inbox.take().items) == 101
