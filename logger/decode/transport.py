"""Puts messages of 9 to 1785 bytes together that J1939 senders announce and cut up.

Listens only: a message to all (BAM) and one agreed between two (RTS, CTS) are followed
from the announcement to the last packet; nothing is answered or asked for. Packets that
a receiver asks for again are taken; of a message to all nothing comes again, so that a
packet out of its order ends it.

Source: SAE J1939-21, transport protocol: control bytes 16 RTS, 17 CTS, 19 end of
message, 32 BAM, 255 abort; size in bytes 1-2, packets in byte 3, group in bytes 5-7,
least significant byte first; data packets with a number from 1 and seven bytes. Times
T1 0.75 s, T2 and T3 1.25 s, T4 1.05 s.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace

from logger.decode.frames import Frame, Reason, Rejected
from logger.decode.j1939 import FIRST_BROADCAST_FORMAT, parameter_group

MANAGEMENT_GROUP, DATA_GROUP = 0xEC00, 0xEB00
RTS, CTS, END_OF_MESSAGE, BAM, ABORT = 16, 17, 19, 32, 255
TO_ALL = 0xFF
PACKET_BYTES = 7
SHORTEST_BYTES, LONGEST_BYTES = 9, 1785
BETWEEN_PACKETS_US, AFTER_CTS_US, AFTER_LAST_US, AFTER_HOLD_US = (
    750_000,  # T1
    1_250_000,  # T2
    1_250_000,  # T3: also after RTS
    1_050_000,  # T4
)
MOST_OPEN = 64
"""Messages under way at a time; beyond it the oldest is given up. A sender may have one
to all and one to each other, so that a noisy bus could ask for 65,536 of them."""

Pair = tuple[int, int]
"""The addresses of sender and receiver."""


@dataclass(slots=True)
class _Open:
    """A message under way.

    Attributes:
        group: The group that it belongs to.
        size: Its length, bytes.
        packets: What has come, by number.
        due_us: When the next of it has to be there.
        window_end: Number of the last packet that the receiver asked for.
    """

    group: int
    size: int
    packets: dict[int, bytes]
    due_us: int
    window_end: int

    @property
    def is_whole(self) -> bool:
        return len(self.packets) * PACKET_BYTES >= self.size

    @property
    def data(self) -> bytes:
        joined = b"".join(self.packets[number] for number in sorted(self.packets))
        return joined[: self.size]


class Transport:
    """Takes the frames of the transport protocol; answers with whole messages.

    Args:
        groups: The groups that are wanted; all others are let pass.
    """

    def __init__(self, groups: Collection[int]) -> None:
        self._groups = frozenset(groups)
        self._open: dict[Pair, _Open] = {}

    @property
    def held_bytes(self) -> int:
        """How much of unfinished messages is held, in bytes."""
        return sum(len(each.data) for each in self._open.values())

    def feed(self, frame: Frame) -> list[Frame | Rejected] | None:
        """Take a frame of connection management or of data.

        Returns:
            The message that it finishes, as a frame of its group with all its bytes and
            the time of its last part; and what was given up. None where the frame
            belongs to no message that is wanted.
        """
        if len(frame.data) < 8:
            return None
        sender, receiver = frame.can_id & 0xFF, (frame.can_id >> 8) & 0xFF
        if parameter_group(frame.can_id) == DATA_GROUP:
            return self._take_packet(frame, (sender, receiver))
        return self._manage(frame, (sender, receiver))

    def _manage(self, frame: Frame, pair: Pair) -> list[Frame | Rejected] | None:
        control, data = frame.data[0], frame.data
        group = int.from_bytes(data[5:8], "little") & 0x3FFFF
        if control == RTS or (control == BAM and pair[1] == TO_ALL):
            return self._announce(frame, pair, group)
        if group not in self._groups:
            return None
        if control == CTS:
            self._clear(frame, (pair[1], pair[0]), group)
        elif control == ABORT:
            # Either of the two may end it.
            return self._end(pair, group) + self._end((pair[1], pair[0]), group)
        elif control == END_OF_MESSAGE:
            # A whole one has gone already: the receiver heard more than we did.
            return self._end((pair[1], pair[0]), group)
        return []

    def _announce(
        self, frame: Frame, pair: Pair, group: int
    ) -> list[Frame | Rejected] | None:
        ended = self._end(pair, None)
        if group not in self._groups:
            return ended or None
        size = int.from_bytes(frame.data[1:3], "little")
        packets = -(-size // PACKET_BYTES)
        fits = SHORTEST_BYTES <= size <= LONGEST_BYTES and frame.data[3] == packets
        if not fits:
            return [*ended, Rejected(Reason.UNDECODABLE, frame.data)]
        if len(self._open) == MOST_OPEN:
            ended += self._end(next(iter(self._open)), None)
        is_to_all = frame.data[0] == BAM
        wait_us = BETWEEN_PACKETS_US if is_to_all else AFTER_LAST_US
        # Of a message to all, every packet follows without being asked for.
        window_end = packets if is_to_all else 0
        self._open[pair] = _Open(group, size, {}, frame.t_us + wait_us, window_end)
        return ended

    def _clear(self, frame: Frame, pair: Pair, group: int) -> None:
        """Note which packets a receiver asks for next; none means "wait"."""
        message = self._open.get(pair)
        if message is None or message.group != group:
            return
        count, first = frame.data[1], frame.data[2]
        message.window_end = first + count - 1
        wait_us = AFTER_CTS_US if count else AFTER_HOLD_US
        message.due_us = frame.t_us + wait_us

    def _end(self, pair: Pair, group: int | None) -> list[Frame | Rejected]:
        """Give up the message between two, if there is one (of a group)."""
        message = self._open.get(pair)
        if message is None or group not in (None, message.group):
            return []
        del self._open[pair]
        return [Rejected(Reason.INCOMPLETE, message.data)]

    def _take_packet(self, frame: Frame, pair: Pair) -> list[Frame | Rejected] | None:
        message = self._open.get(pair)
        if message is None:
            return None
        number = frame.data[0]
        is_next = number == len(message.packets) + 1
        is_known = 0 < number <= -(-message.size // PACKET_BYTES)
        in_order = is_next if pair[1] == TO_ALL else is_known
        if not in_order or frame.t_us > message.due_us:
            return self._end(pair, None)
        message.packets[number] = frame.data[1:]
        is_asked_for = number != message.window_end
        wait_us = BETWEEN_PACKETS_US if is_asked_for else AFTER_LAST_US
        message.due_us = frame.t_us + wait_us
        if not message.is_whole:
            return []
        del self._open[pair]
        can_id = _identifier(frame.can_id, message.group, pair)
        return [replace(frame, can_id=can_id, data=message.data)]


def _identifier(can_id: int, group: int, pair: Pair) -> int:
    """Return the identifier that a message would have if it went in one frame."""
    is_addressed = (group >> 8) & 0xFF < FIRST_BROADCAST_FORMAT
    middle = group | (pair[1] if is_addressed else 0)
    return can_id & 0x1C00_0000 | middle << 8 | pair[0]
