"""A CAN bus: what is data, what is counted, and what a person is told."""

from pathlib import Path

import can
import pytest

from logger.clock import Clock
from logger.decode.frames import Frame
from logger.errors import SourceError
from logger.sources.can_bus import MOST_FRAMES, CanSession, CanSource
from logger.sources.inbox import Inbox
from tests.edges.devices import Listener, Terminal, Wire, attended, until


def source(
    inbox: Inbox,
    channel: str,
    adapter: str = "virtual",
    bit_rate: int | None = 500_000,
    listen_only: bool = True,
) -> CanSource:
    """Return the bus `drive`."""
    return CanSource("drive", channel, adapter, bit_rate, listen_only, inbox)


def read_all(session: CanSession) -> int:
    """Read until nothing more comes."""
    total = 0
    while count := session.read():
        total += count
    return total


def test_a_frame_comes_in_as_it_was_sent() -> None:
    wire, inbox = Wire(), Inbox(Clock())
    session = source(inbox, wire.channel).open()
    wire.speak(0x01020304, 0x7FF)
    wire.speak(5, 0x18FF0010)
    assert read_all(session) == 2
    short, extended = inbox.take().items
    assert isinstance(short, Frame)
    assert isinstance(extended, Frame)
    assert (short.bus, short.can_id, short.is_extended) == ("drive", 0x7FF, False)
    assert short.data == bytes.fromhex("01 02 03 04")
    assert type(short.data) is bytes
    assert (extended.can_id, extended.is_extended) == (0x18FF0010, True)
    session.close()
    wire.close()


def test_error_and_remote_frames_are_counted_and_are_no_data() -> None:
    wire, inbox = Wire(), Inbox(Clock())
    bus = source(inbox, wire.channel)
    session = bus.open()
    wire.put(can.Message(is_error_frame=True, arbitration_id=0x40))
    wire.put(can.Message(is_remote_frame=True, arbitration_id=0x123, dlc=8))
    wire.put(can.Message(is_remote_frame=True, arbitration_id=0x124, dlc=8))
    wire.speak(1)
    assert read_all(session) == 1
    assert (bus.error_frames, bus.remote_frames) == (1, 2)
    assert len(inbox.take().items) == 1
    session.close()
    wire.close()


def test_one_reading_is_bounded_however_much_there_is() -> None:
    wire, inbox = Wire(), Inbox(Clock())
    session = source(inbox, wire.channel).open()
    for number in range(MOST_FRAMES + 10):
        wire.speak(number)
    assert session.read() == MOST_FRAMES
    assert session.read() == 10
    assert session.read() == 0
    session.close()
    wire.close()


def test_a_closed_bus_is_an_error_and_not_silence() -> None:
    session = source(Inbox(Clock()), "closed").open()
    session.close()
    with pytest.raises(can.CanError):
        session.read()
    session.close()


@pytest.mark.parametrize(("adapter", "channel"), [
    ("slcan", "/dev/serial/by-id/nosuch"),
    ("nosuch", "can0"),
])  # fmt: skip
def test_what_cannot_be_opened_says_where_and_what_to_do(
    adapter: str, channel: str
) -> None:
    bus = source(Inbox(Clock()), channel, adapter, listen_only=False)
    with pytest.raises(SourceError) as caught:
        bus.open()
    (fault,) = caught.value.faults
    assert fault.where == f"bus drive ({channel})"
    assert fault.saw
    assert fault.fix.endswith(".")


def test_an_adapter_that_nobody_can_keep_quiet_is_not_opened() -> None:
    bus = source(Inbox(Clock()), "can0", "nosuch", listen_only=True)
    with pytest.raises(SourceError, match="cannot be told to listen only"):
        bus.open()


def test_a_garbled_frame_of_an_adapter_is_counted(tmp_path: Path) -> None:
    # python-can's own reader of text adapters raises at a line that is no frame.
    terminal = Terminal(tmp_path)
    inbox, clock = Inbox(Clock()), Clock()
    bus = source(inbox, str(terminal.path), "slcan", listen_only=False)
    listener = Listener(inbox)
    with attended(inbox, clock, bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        terminal.speak(b"\r\rt1232AABB\rtxyz\rT18FF001010")
        terminal.speak(b"7\rr1238\r" + b"t12310F\r" * 600)
        assert until(lambda: len(listener.data("drive")) == 602)
    assert (bus.unreadable_frames, bus.remote_frames) == (1, 1)
    assert listener.data("drive")[:3] == [b"\xaa\xbb", b"\x07", b"\x0f"]
    terminal.pull()
