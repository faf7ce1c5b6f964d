"""A SocketCAN source where there is no CAN: what it does with bytes of a socket.

Its life on real interfaces is in `tests/kernel`. Here the kernel's own pair of local
sockets carries the same structures.
"""

import socket
import struct
from collections.abc import Iterator

import pytest

from logger.clock import Clock
from logger.decode.frames import Frame
from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.interfaces import Interface, interface_of
from logger.sources.socketcan import MOST_FRAMES, SocketCanSession, SocketCanSource

FRAME = struct.Struct("=IB3x8s")


class Line:
    """A source, its open session, and the far end of its socket."""

    def __init__(self) -> None:
        self.inbox = Inbox(Clock())
        self.source = SocketCanSource("drive", "can0", None, True, self.inbox)
        near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        near.setblocking(False)
        self.session = SocketCanSession(self.source, near)

    def put(self, can_id: int, length: int, data: bytes) -> None:
        """Put a classic frame on it."""
        self.far.send(FRAME.pack(can_id, length, data))


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    made.session.close()
    made.far.close()


def test_identifiers_lose_their_flags_and_data_their_filling(line: Line) -> None:
    line.put(0x7FF, 3, b"\x01\x02\x03")
    line.put(0x9FFFFFFF, 8, b"12345678")
    line.far.send(struct.pack("=IB3x64s", 0x80000001, 12, b"longer than 8"))
    assert line.session.read() == 3
    found = [each for each in line.inbox.take().items if isinstance(each, Frame)]
    assert [(f.can_id, f.is_extended, f.data) for f in found] == [
        (0x7FF, False, b"\x01\x02\x03"),
        (0x1FFFFFFF, True, b"12345678"),
        (1, True, b"longer than "),
    ]


def test_what_is_no_data_is_counted(line: Line) -> None:
    line.put(0x40000123, 8, b"")
    line.put(0xC0000123, 0, b"")
    line.put(0x20000040, 8, bytes(8))
    line.far.send(b"short")
    line.put(1, 1, b"\x01")
    assert line.session.read() == 1
    source = line.source
    assert (source.remote_frames, source.error_frames, source.odd_frames) == (2, 1, 1)
    (notice,) = line.inbox.take().notices
    assert (notice.kind, notice.text) == ("bus error", "bus-off, 1 so far")
    assert source.condition().text == "bus-off (1)"


def test_the_end_of_a_fault_is_none(line: Line) -> None:
    line.put(0x20000100, 8, bytes(8))
    line.put(0x20000004, 8, b"\x00\x40" + bytes(6))
    line.session.read()
    assert line.source.error_frames == 2
    assert line.source.condition().text == ""


def test_one_reading_is_bounded(line: Line) -> None:
    count = 0
    line.far.setblocking(False)
    try:
        while True:
            line.put(count, 0, b"")
            count += 1
    except BlockingIOError:
        pass
    total = 0
    while more := line.session.read():
        assert more <= MOST_FRAMES
        total += more
    assert total == count


def test_what_came_before_an_error_is_not_lost(line: Line) -> None:
    line.put(1, 0, b"")
    line.session.read()
    line.session.close()
    with pytest.raises(OSError, match="descriptor"):
        line.session.read()
    assert len(line.inbox.take().items) == 1


def test_frames_beyond_the_room_are_dropped_and_counted() -> None:
    inbox = Inbox(Clock(), most_waiting=5)
    inbox.frames("bus drive", "drive", [(n, False, b"") for n in range(4)])
    inbox.frames("bus drive", "drive", [(n, False, b"") for n in range(4)])
    inbox.frame("bus house", "house", 9, False, b"")
    items = [each for each in inbox.take().items if isinstance(each, Frame)]
    assert [(each.seq, each.can_id) for each in items] == [
        (0, 0), (1, 1), (2, 2), (3, 3), (4, 0), (5, 9),
    ]  # fmt: skip
    assert inbox.dropped("bus drive") == 3


# As `ip -details -json link show` of iproute2 6.1 answers, shortened.
@pytest.mark.parametrize(("answer", "interface"), [
    ('[{"ifname":"vcan0","flags":["NOARP","UP"],"linkinfo":{"info_kind":"vcan"}}]',
     Interface("vcan", True, False, None)),
    ('[{"ifname":"can0","flags":["NOARP"],"linkinfo":{"info_kind":"can","info_data":'
     '{"state":"STOPPED","restart_ms":0}}}]',
     Interface("can", False, False, None)),
    ('[{},{"ifname":"can0","flags":["UP"],"linkinfo":{"info_kind":"can","info_data":'
     '{"ctrlmode":["LISTEN-ONLY"],"bittiming":{"bitrate":500000}}}}]',
     Interface("can", True, True, 500_000)),
    ('[{"ifname":"can0","flags":["UP"],"linkinfo":{"info_kind":"can","info_data":'
     '{"ctrlmode":["LOOPBACK"],"bittiming_bitrate":250000}}}]',
     Interface("can", True, False, 250_000)),
    ('[{"ifname":"can0","flags":["UP"]}]', Interface("", True, False, None)),
])  # fmt: skip
def test_an_interface_is_as_ip_tells(answer: str, interface: Interface) -> None:
    assert interface_of(answer) == interface


@pytest.mark.parametrize("answer", ["", "[]", "{}", "[1]", '[{"ifname":"can0"}]'])
def test_what_is_no_answer_of_ip_is_told(answer: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        interface_of(answer)


def test_an_interface_that_is_not_there_says_what_to_do() -> None:
    for listens in (True, False):
        bus = SocketCanSource("drive", "nosuch0", None, listens, Inbox(Clock()))
        assert bus.sign() == ""
        with pytest.raises(SourceError) as caught:
            bus.open()
        (fault,) = caught.value.faults
        assert fault.where == "bus drive (nosuch0)"
        assert fault.saw
        assert fault.fix.endswith(".")
