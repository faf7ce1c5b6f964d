"""A SocketCAN interface, read through a socket of our own. Never transmits.

Not through python-can (4.6.1): the kernel tells how many frames it had to drop beside a
frame (SO_RXQ_OVFL), and python-can's reader fails at a frame that comes with anything
but its time stamp. It also makes an object of many fields a frame; what that costs is
told by `python -m tests.bench receive`.

Every frame here is as `struct can_frame` of linux/can.h has it.
"""

import select
import socket
import struct
import time
from contextlib import suppress
from pathlib import Path

from logger.decode.can_errors import BusError, errors_of
from logger.errors import SourceError
from logger.sources.condition import Condition
from logger.sources.inbox import Heard, Inbox
from logger.sources.interfaces import make_listen
from logger.sources.reasons import fix_of, reason_of
from logger.sources.repeats import Repeats

WAIT_MS = 200
"""Longest wait for a frame: how long a stop may take."""

NAP_S = 0.008
"""Between two readings of a bus that speaks: its frames are then taken by the dozen.
Waking up for each one costs more than reading it. They are stamped that much late."""

MOST_FRAMES = 256
"""Read in one go before looking whether to stop: 70 ms of a full 500 kbit/s bus."""

BUFFER_BYTES = 4 * 1024 * 1024
"""Room for frames in the kernel. What it gives by itself holds 278 classic frames,
70 ms of a full 500 kbit/s bus (measured); net.core.rmem_max is the most it
gives those who may not set up the network."""

LONGEST_FRAME = 72
"""`struct canfd_frame`; a classic one has 16 bytes."""

ROOM_BESIDE = 64
"""For one message of the kernel beside a frame: its count of dropped frames."""

HEAD = struct.Struct("=IB")
"""Identifier with flags, and length; the data begin at byte 8."""

DATA_AT = 8
IS_EXTENDED, IS_REMOTE, IS_ERROR = 0x80000000, 0x40000000, 0x20000000
EXTENDED_BITS, STANDARD_BITS = 0x1FFFFFFF, 0x7FF

# From Linux' asm-generic/socket.h and linux/can/raw.h; Python has not all of them, and
# none where there is no CAN.
SO_RCVBUFFORCE, SO_RXQ_OVFL = 33, 40
SOL_CAN_RAW, CAN_RAW_ERR_FILTER, CAN_RAW_FD_FRAMES = 101, 2, 5
ALL_ERRORS = 0x1FFFFFFF

COUNT = struct.Struct("=I")

OVER = (BusError.ACTIVE, BusError.RESTARTED)
"""What tells that a fault has ended: counted, and no fault."""


class SocketCanSource:
    """One SocketCAN interface.

    Args:
        bus_name: Name of the bus in the van file.
        interface: The interface, for example `can0`.
        bit_rate: Bits a second, None for what it is set to.
        listen_only: True if it must not even acknowledge.
        inbox: Where the frames go.

    Attributes:
        error_frames: Error frames since the start.
        remote_frames: Remote frames since the start; they carry no data.
        odd_frames: Frames of no known size since the start.
    """

    def __init__(
        self,
        bus_name: str,
        interface: str,
        bit_rate: int | None,
        listen_only: bool,
        inbox: Inbox,
    ) -> None:
        self.error_frames = 0
        self.remote_frames = 0
        self.odd_frames = 0
        self.name = f"bus {bus_name}"
        self._bus_name = bus_name
        self._interface = interface
        self._bit_rate = bit_rate
        self._is_listen_only = listen_only
        self._seen_index = ""
        self._inbox = inbox
        self._errors = Repeats(lambda text: inbox.tell(self.name, "bus error", text))
        self._losses = Repeats(lambda text: inbox.tell(self.name, "frames lost", text))

    def open(self) -> "SocketCanSession":
        """Open the interface for listening.

        Raises:
            SourceError: It is not there, or does not only listen.
        """
        where = f"{self.name} ({self._interface})"
        if self._is_listen_only:
            self._make_listen(where)
        try:
            return SocketCanSession(self, _listening(self._interface))
        except (OSError, AttributeError) as err:
            # Python has no name for such a socket where the system has none.
            raise SourceError(
                where=where,
                saw=reason_of(err),
                fix=fix_of(err, "Look at the key interface of this bus."),
            ) from err

    def _make_listen(self, where: str) -> None:
        """Let nobody be spoken to; see `make_listen`."""
        index = self.sign().partition("\n")[0]
        is_new, self._seen_index = index != self._seen_index, index
        make_listen(self._interface, where, self._bit_rate, is_new=is_new)

    def sign(self) -> str:
        """Return what changes when the interface comes, goes or is switched on."""
        place = Path("/sys/class/net") / self._interface
        try:
            return f"{(place / 'ifindex').read_text()}{(place / 'flags').read_text()}"
        except OSError:
            return ""

    def condition(self) -> Condition:
        """Return what is wrong on the bus; any thread may ask."""
        words = (self._losses.words(), self._errors.words())
        return Condition(
            self.error_frames, self._losses.total, ", ".join(filter(None, words))
        )

    def take_in(self, frames: list[Heard]) -> None:
        """Hand frames over."""
        self._inbox.frames(self.name, self._bus_name, frames)

    def take_error(self, classes: int, data: bytes) -> None:
        """Count an error frame, and tell what it says."""
        self.error_frames += 1
        now_us = self._inbox.now_us()
        for error in errors_of(classes, data):
            if error not in OVER:
                self._errors.add(error.value, now_us)

    def take_loss(self, count: int) -> None:
        """Count frames that the kernel had no room for."""
        self._losses.add("the kernel dropped frames", self._inbox.now_us(), count)

    def look(self) -> None:
        """See whether what was wrong is over."""
        now_us = self._inbox.now_us()
        self._errors.look(now_us)
        self._losses.look(now_us)


class SocketCanSession:
    """An open interface.

    Args:
        source: Takes the frames.
        held: The socket, not waiting; owned by the session from now on.
    """

    def __init__(self, source: SocketCanSource, held: socket.socket) -> None:
        self._source = source
        self._socket = held
        self._poll = select.poll()
        self._poll.register(held, select.POLLIN)
        self._has_heard = False
        self._lost = 0

    def read(self) -> int:
        """Hand over the frames that came in; return how many."""
        if self._has_heard:
            time.sleep(NAP_S)
        # By the steady clock, unlike python-can's own wait.
        self._poll.poll(WAIT_MS)
        heard: list[Heard] = []
        try:
            self._drain(heard)
        finally:
            # Also those before an error, which is the supervisor's business.
            if heard:
                self._source.take_in(heard)
            self._source.look()
        self._has_heard = bool(heard)
        return len(heard)

    def close(self) -> None:
        """Let go of the interface."""
        self._socket.close()

    def _drain(self, heard: list[Heard]) -> None:
        """Read what is there, up to a limit."""
        read = self._socket.recvmsg
        for _ in range(MOST_FRAMES):
            try:
                frame, beside, _, _ = read(LONGEST_FRAME, ROOM_BESIDE)
            except BlockingIOError:
                return
            if beside:
                self._note_losses(beside)
            if len(frame) < DATA_AT:
                self._source.odd_frames += 1
                continue
            can_id, length = HEAD.unpack_from(frame)
            data = frame[DATA_AT : DATA_AT + length]
            if can_id < IS_ERROR:
                heard.append((can_id & STANDARD_BITS, False, data))
            elif can_id & (IS_ERROR | IS_REMOTE):
                self._set_aside(can_id, data)
            else:
                heard.append((can_id & EXTENDED_BITS, True, data))

    def _set_aside(self, can_id: int, data: bytes) -> None:
        """Count what is no data."""
        if can_id & IS_ERROR:
            self._source.take_error(can_id & ALL_ERRORS, data)
        else:
            self._source.remote_frames += 1

    def _note_losses(self, beside: list[tuple[int, int, bytes]]) -> None:
        """Take in how many frames the kernel dropped since the socket was opened."""
        for level, kind, data in beside:
            if (level, kind) == (socket.SOL_SOCKET, SO_RXQ_OVFL):
                (lost,) = COUNT.unpack_from(data)
                # It counts in 32 bits.
                more = (lost - self._lost) % (1 << 32)
                self._lost = lost
                if more:
                    self._source.take_loss(more)


def _listening(interface: str) -> socket.socket:
    """Return a socket that hears all of an interface, errors too."""
    made = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    try:
        made.setblocking(False)
        made.setsockopt(SOL_CAN_RAW, CAN_RAW_ERR_FILTER, ALL_ERRORS)
        made.setsockopt(socket.SOL_SOCKET, SO_RXQ_OVFL, 1)
        with suppress(OSError):
            made.setsockopt(SOL_CAN_RAW, CAN_RAW_FD_FRAMES, 1)
        for option in (socket.SO_RCVBUF, SO_RCVBUFFORCE):
            # The second may give more, and only to those who may set up the network.
            with suppress(OSError):
                made.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES)
        made.bind((interface,))
    except BaseException:
        made.close()
        raise
    return made
