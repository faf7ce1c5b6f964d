"""Puts messages of two to 32 frames together: fast packets, one sender after another.

The first byte of each frame holds a sequence number (bits 7-5) that tells one message
from the next, and the number of the frame in it (bits 4-0). Frame 0 goes on with the
length of the message in bytes and its first six; every later frame brings seven more.

Source: layout as recorded (two frames of a nine-byte group, tests/data/can); the limit
follows from it. The time limit is common practice, no source.
"""

from dataclasses import dataclass, replace

from logger.decode.frames import Frame, Reason, Rejected

FIRST_BYTES, NEXT_BYTES, LAST_NUMBER = 6, 7, 31
WHOLE_FRAME_BYTES = 8
LONGEST_BYTES = FIRST_BYTES + LAST_NUMBER * NEXT_BYTES
"""223: what the numbers 0 to 31 can carry."""

SILENCE_US = 750_000
"""Frames of one message follow at once; after this long the rest is not coming."""

MOST_OPEN = 64
"""Messages under way at a time. Some thirty senders with two groups each; beyond it the
oldest is given up, so that no bus can make memory grow."""


@dataclass(slots=True)
class _Open:
    """A message under way: what is there, and what is expected next."""

    length: int
    data: bytearray
    next_number: int
    latest_us: int


class FastPackets:
    """Takes the frames of fast packets; is fed and answers with whole messages."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], _Open] = {}

    @property
    def held_bytes(self) -> int:
        """How much of unfinished messages is held, in bytes."""
        return sum(len(each.data) for each in self._open.values())

    def feed(self, frame: Frame) -> list[Frame | Rejected]:
        """Take a frame of a group that comes as fast packets.

        Returns:
            The message that it finishes, as a frame with all its bytes and the time of
            its last part; and what was given up for it. Often nothing.
        """
        if len(frame.data) < 2:
            return [Rejected(Reason.INCOMPLETE, frame.data)]
        key = frame.can_id, frame.data[0] >> 5
        number = frame.data[0] & LAST_NUMBER
        return self._begin(key, frame) if number == 0 else self._go_on(key, frame)

    def _begin(self, key: tuple[int, int], frame: Frame) -> list[Frame | Rejected]:
        answers: list[Frame | Rejected] = []
        before = self._open.pop(key, None)
        if before is None and len(self._open) == MOST_OPEN:
            before = self._open.pop(next(iter(self._open)))
        if before is not None:
            answers.append(_given_up(before))
        length = frame.data[1]
        if not 0 < length <= LONGEST_BYTES:
            return [*answers, Rejected(Reason.INCOMPLETE, frame.data)]
        data = bytearray(frame.data[2:])
        self._open[key] = _Open(length, data, 1, frame.t_us)
        return answers + self._whole(key, frame)

    def _go_on(self, key: tuple[int, int], frame: Frame) -> list[Frame | Rejected]:
        message = self._open.get(key)
        if message is None:
            # The rest of a message whose beginning was lost, and told when it was; or
            # the log begins in its midst.
            return []
        number = frame.data[0] & LAST_NUMBER
        is_late = frame.t_us - message.latest_us > SILENCE_US
        if number != message.next_number or is_late:
            return [_given_up(self._open.pop(key))]
        message.data += frame.data[1:]
        message.next_number += 1
        message.latest_us = frame.t_us
        return self._whole(key, frame)

    def _whole(self, key: tuple[int, int], frame: Frame) -> list[Frame | Rejected]:
        """Return the message if all of it is there; else wait for more of it."""
        message = self._open[key]
        if len(message.data) >= message.length:
            del self._open[key]
            return [replace(frame, data=bytes(message.data[: message.length]))]
        if len(frame.data) < WHOLE_FRAME_BYTES:  # only the last one may be short
            return [_given_up(self._open.pop(key))]
        return []


def _given_up(message: _Open) -> Rejected:
    return Rejected(Reason.INCOMPLETE, bytes(message.data))
