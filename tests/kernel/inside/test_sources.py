"""A CAN interface of the kernel: what comes in, what goes wrong, what is counted."""

import itertools
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from logger.clock import Clock
from logger.decode.frames import Frame
from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.socketcan import SocketCanSource
from logger.sources.supervisor import Supervisor
from tests.builders import us
from tests.edges.devices import Listener, attended, until
from tests.kernel.inside.wires import (
    EXTENDED,
    FRAME,
    REMOTE,
    Talker,
    ip,
    plug,
    pull,
    sent_frames,
)

_numbers = itertools.count()


@pytest.fixture
def name() -> Iterator[str]:
    """A virtual interface that is up, and is gone afterwards."""
    made = f"vcan{next(_numbers)}"
    plug(made)
    yield made
    if made in ip("link", "show"):
        pull(made)


@contextmanager
def listening(name: str) -> Iterator[tuple[Supervisor, Listener, SocketCanSource]]:
    """Run a supervised source on an interface, once it is open."""
    inbox, clock = Inbox(Clock()), Clock()
    source = SocketCanSource("drive", name, None, True, inbox)
    with attended(inbox, clock, source) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        yield supervisor, Listener(inbox), source


def test_frames_come_in_as_they_were_sent(name: str) -> None:
    with listening(name) as (_, listener, source):
        talker = Talker(name)
        talker.put(FRAME.pack(0x7FF, 2, b"\xaa\xbb"))
        talker.put(FRAME.pack(REMOTE | 0x123, 8, b""))
        talker.put(FRAME.pack(EXTENDED | 0x18FF0010, 8, bytes(range(8))))
        talker.put(FRAME.pack(0, 0, b""))
        assert until(lambda: len(listener.data("drive")) == 3)
        talker.close()
    frames = [item for item in listener.items if isinstance(item, Frame)]
    assert [(f.can_id, f.is_extended, f.data.hex()) for f in frames] == [
        (0x7FF, False, "aabb"),
        (0x18FF0010, True, "0001020304050607"),
        (0, False, ""),
    ]
    assert [f.seq for f in frames] == [0, 1, 2]
    assert source.remote_frames == 1


def test_long_frames_come_in_whole(name: str) -> None:
    ip("link", "set", name, "down")
    ip("link", "set", name, "mtu", "72", "up")
    with listening(name) as (_, listener, _source):
        talker = Talker(name)
        talker.put_long(0x123, bytes(range(64)))
        assert until(lambda: listener.data("drive") == [bytes(range(64))])
        talker.close()


def test_a_bus_that_speaks_loses_nothing_in_order(name: str) -> None:
    with listening(name) as (_, listener, _source):
        talker = Talker(name)
        for number in range(3000):
            talker.say(number)
        assert until(lambda: len(listener.data("drive")) == 3000)
        assert listener.numbers("drive") == list(range(3000))
        talker.close()


def test_nothing_is_ever_sent(name: str) -> None:
    other = Talker(name)
    with listening(name) as (_, listener, _source):
        talker = Talker(name)
        for number in range(100):
            talker.say(number)
        talker.tell_error(0x40, "00 00 00 00 00 00 00 00")
        assert until(lambda: len(listener.data("drive")) == 100)
        # It hears no error frames: it did not ask for them.
        heard = other.heard()
        ip("link", "set", name, "down")
        ip("link", "set", name, "up")
        assert until(lambda: "source back" in listener.told("bus drive"))
    assert len(heard) == 100
    # The kernel's own count of what it was given: those of the talker, and no more.
    assert sent_frames(name) == 101
    talker.close()
    other.close()


def back_after_s(listener: Listener, since_us: int, number: int) -> float:
    """Return when a number came in, s after a time."""
    (at_us,) = [
        item.t_us
        for item in listener.items
        if isinstance(item, Frame) and int.from_bytes(item.data, "big") == number
    ][:1]
    return (at_us - since_us) / us(1.0)


def is_heard_again(name: str, listener: Listener, number: int) -> bool:
    """Say a number until it arrives; return whether it did."""
    talker = Talker(name)

    def has_arrived() -> bool:
        talker.say(number)
        return number in listener.numbers("drive")

    try:
        return until(has_arrived)
    finally:
        talker.close()


def test_an_interface_that_was_down_is_heard_within_five_seconds(name: str) -> None:
    with listening(name) as (supervisor, listener, _source):
        assert is_heard_again(name, listener, 1)
        ip("link", "set", name, "down")
        assert until(lambda: supervisor.status().state == "lost")
        assert "down" in supervisor.status().text
        # Long enough for the waits between two tries to have grown to the longest.
        lost_us = listener.now_us()
        assert until(lambda: listener.now_us() - lost_us > us(4.0))
        up_us = listener.now_us()
        ip("link", "set", name, "up")
        assert is_heard_again(name, listener, 2)
        assert back_after_s(listener, up_us, 2) < 5.0
    assert listener.told("bus drive") == ["source lost", "source back"]


def test_an_interface_that_was_pulled_is_heard_within_five_seconds(name: str) -> None:
    with listening(name) as (supervisor, listener, _source):
        assert is_heard_again(name, listener, 1)
        pull(name)
        assert until(lambda: supervisor.status().state == "lost")
        lost_us = listener.now_us()
        assert until(lambda: listener.now_us() - lost_us > us(4.0))
        plugged_us = listener.now_us()
        plug(name)
        assert is_heard_again(name, listener, 2)
        assert back_after_s(listener, plugged_us, 2) < 5.0
    assert listener.told("bus drive") == ["source lost", "source back"]


def test_an_interface_that_was_pulled_and_put_back_at_once_is_heard(name: str) -> None:
    with listening(name) as (_, listener, _source):
        assert is_heard_again(name, listener, 1)
        pull(name)
        plug(name)
        assert is_heard_again(name, listener, 2)


def test_error_frames_are_counted_told_and_no_data(name: str) -> None:
    with listening(name) as (supervisor, listener, source):
        talker = Talker(name)
        talker.tell_error(0x20, "00 00 00 00 00 00 00 00")
        talker.tell_error(0x04, "00 30 00 00 00 00 64 8C")
        for _ in range(100):
            talker.tell_error(0x40, "00 00 00 00 00 00 00 00")
        assert until(lambda: source.error_frames == 102)
        talker.say(7)
        assert until(lambda: listener.numbers("drive") == [7])
        talker.close()
        condition = supervisor.status().condition
    assert condition.errors == 102
    assert "bus-off (100)" in condition.text
    assert "error passive (1)" in condition.text
    texts = [each.text for each in listener.notices if each.kind == "bus error"]
    assert texts[:3] == [
        "no acknowledgement, 1 so far",
        "error passive, 1 so far",
        "bus-off, 1 so far",
    ]
    # A hundred of a kind are told seven times: 1, 2, 4 ... 64.
    assert len(texts) == 9


def test_frames_that_the_kernel_drops_are_counted_and_told(name: str) -> None:
    inbox = Inbox(Clock(), most_waiting=1_000_000)
    source = SocketCanSource("drive", name, None, True, inbox)
    session = source.open()
    talker = Talker(name)
    sent = 20_000
    for number in range(sent):
        talker.say(number)
    count = 0
    while more := session.read():
        count += more
    # The kernel tells of a loss beside the next frame that it has room for.
    talker.say(sent)
    count += session.read()
    session.close()
    talker.close()
    lost = source.condition().lost
    assert lost > 0
    assert count + lost == sent + 1
    (first, *_) = [each for each in inbox.take().notices if each.kind == "frames lost"]
    assert first.text == f"the kernel dropped frames, {lost} so far"


def test_the_kernel_holds_more_than_it_would_by_itself(name: str) -> None:
    # 278 are what its own measure of 212,992 bytes holds; four seconds of a full bus
    # of 500 kbit/s are some 15,000.
    inbox = Inbox(Clock())
    source = SocketCanSource("drive", name, None, True, inbox)
    session = source.open()
    talker = Talker(name)
    for number in range(5000):
        talker.say(number)
    count = 0
    while more := session.read():
        count += more
    session.close()
    talker.close()
    assert (count, source.condition().lost) == (5000, 0)


def test_one_bad_bus_costs_another_nothing(name: str) -> None:
    other = f"vcan{next(_numbers)}"
    plug(other)
    inbox, clock = Inbox(Clock()), Clock()
    sources = [
        SocketCanSource(bus, interface, None, True, inbox)
        for bus, interface in (("drive", name), ("house", other))
    ]
    listener = Listener(inbox)
    with attended(inbox, clock, *sources) as made:
        assert until(lambda: all(each.status().state == "open" for each in made))
        talker = Talker(name)
        for number in range(1000):
            if number == 300:
                pull(other)
            if number == 600:
                plug(other)
            talker.say(number)
        assert until(lambda: len(listener.data("drive")) == 1000)
        talker.close()
        assert until(lambda: "source back" in listener.told("bus house"))
    assert listener.numbers("drive") == list(range(1000))
    assert listener.told("bus drive") == []
    pull(other)


def test_what_is_not_there_is_told_with_what_to_do() -> None:
    source = SocketCanSource("drive", "vcan99", None, True, Inbox(Clock()))
    with pytest.raises(SourceError) as caught:
        source.open()
    (fault,) = caught.value.faults
    assert fault.where == "bus drive (vcan99)"
    assert fault.saw == "no such interface"
