"""The one place where what comes in is stamped, and where it waits to be taken.

Knows nothing of devices. Time, sequence number and place in the queue are given under
one lock, so that the three orders are one order: a replay of what was recorded takes
the same way through the pipeline as the live run did.
"""

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from logger.clock import Clock
from logger.decode.frames import Beat, Entry, Frame, Line, Raw

MOST_WAITING = 16_384
"""Items of one source: four seconds of a full 500 kbit/s bus (about 4,000 frames/s)."""

MOST_NOTICES = 1024
"""Far more than the sources make; whoever takes has then been away for long."""

NoticeKind = Literal[
    "source lost", "source back", "source silent", "bus error", "frames lost",
    "frames dropped", "notices dropped",
]  # fmt: skip

Heard = tuple[int, bool, bytes]
"""A CAN data frame: identifier, whether it has 29 bits, payload."""


@dataclass(frozen=True, slots=True)
class Notice:
    """What happened to a source, in words.

    Attributes:
        t_us: Microseconds since the inbox's zero.
        source: For example `bus drive` or `port roof`.
        kind: What happened.
        text: More about it.
    """

    t_us: int
    source: str
    kind: NoticeKind
    text: str


@dataclass(frozen=True, slots=True)
class Taken:
    """All that waited, in order of arrival."""

    items: list[Raw]
    notices: list[Notice]


@dataclass(slots=True)
class _Overflow:
    """One stretch in which a source is too fast for whoever takes."""

    count: int = 0
    count_at_take: int = 0


class Inbox:
    """Takes in items from all threads; one thread takes them out.

    A source that has `most_waiting` items waiting loses further ones, which get no
    sequence number and are counted; the others are not touched. Beats and entries have
    no such limit: a beat a second, and what a person tells, are never too many.

    Args:
        clock: Its reading now is the zero of all times.
        most_waiting: Items of one source that may wait, at least 1.
    """

    def __init__(self, clock: Clock, most_waiting: int = MOST_WAITING) -> None:
        self._mono_us = clock.mono_us
        self._zero_us = clock.mono_us()
        self._most_waiting = most_waiting
        self._lock = threading.Lock()
        self._items: list[Raw] = []
        self._notices: list[Notice] = []
        self._seq = 0
        self._waiting: dict[str, int] = {}
        self._dropped: dict[str, int] = {}
        self._overflows: dict[str, _Overflow] = {}
        self._notices_dropped = 0

    def now_us(self) -> int:
        """Return microseconds since the zero."""
        return self._mono_us() - self._zero_us

    def at_us(self, mono_us: int) -> int:
        """Return a time of the clock as microseconds since the zero."""
        return mono_us - self._zero_us

    def frame(
        self, source: str, bus: str, can_id: int, is_extended: bool, data: bytes
    ) -> None:
        """Take in a CAN data frame.

        Args:
            source: Whose room it takes, for example `bus drive`.
            bus: Name of the bus in the van file.
            can_id: Identifier, 11 or 29 bits.
            is_extended: True for a 29-bit identifier.
            data: Payload.
        """
        with self._lock:
            if self._has_room(source):
                t_us = self._mono_us() - self._zero_us
                self._items.append(
                    Frame(t_us, self._next(), bus, can_id, is_extended, data)
                )

    def frames(self, source: str, bus: str, frames: Sequence[Heard]) -> None:
        """Take in CAN data frames that were read in one go, under one stamp.

        Args:
            source: Whose room they take, for example `bus drive`.
            bus: Name of the bus in the van file.
            frames: In the order of their arrival.
        """
        with self._lock:
            t_us, seq = self.now_us(), self._seq
            waiting = self._waiting.get(source, 0)
            taken = frames[: self._most_waiting - waiting]
            self._items += [
                Frame(t_us, seq + place, bus, can_id, is_extended, data)
                for place, (can_id, is_extended, data) in enumerate(taken)
            ]
            self._seq = seq + len(taken)
            self._waiting[source] = waiting + len(taken)
            for _ in frames[len(taken) :]:
                self._drop(source)

    def line(self, source: str, port: str, data: bytes) -> None:
        """Take in a line of a serial port, without its end."""
        with self._lock:
            if self._has_room(source):
                self._items.append(Line(self.now_us(), self._next(), port, data))

    def beat(self) -> None:
        """Take in that time has passed."""
        with self._lock:
            self._items.append(Beat(self.now_us(), self._next()))

    def entry(
        self, number: int, kind: str, text: str, channel: str = "", value: float = 0.0
    ) -> None:
        """Take in what a person told; see `Entry`."""
        with self._lock:
            t_us, seq = self.now_us(), self._next()
            self._items.append(Entry(t_us, seq, number, kind, text, channel, value))

    def tell(self, source: str, kind: NoticeKind, text: str) -> None:
        """Take in what happened to a source."""
        with self._lock:
            self._tell(source, kind, text)

    def dropped(self, source: str) -> int:
        """Return how many items of a source were thrown away since the start."""
        with self._lock:
            return self._dropped.get(source, 0)

    def take(self) -> Taken:
        """Return all that waits, and leave nothing."""
        with self._lock:
            self._end_overflows()
            taken = Taken(self._items, self._notices)
            self._items, self._notices = [], []
            self._waiting.clear()
            if self._notices_dropped:
                text = f"{self._notices_dropped} thrown away, too many were waiting"
                self._notices_dropped = 0
                self._tell("", "notices dropped", text)
            return taken

    def _next(self) -> int:
        """Return the next sequence number; call with the lock held."""
        seq = self._seq
        self._seq = seq + 1
        return seq

    def _has_room(self, source: str) -> bool:
        """Count an item in, or out; call with the lock held."""
        waiting = self._waiting.get(source, 0)
        if waiting < self._most_waiting:
            self._waiting[source] = waiting + 1
            return True
        self._drop(source)
        return False

    def _drop(self, source: str) -> None:
        """Count a lost item, and tell at the first of them and at each doubling."""
        self._dropped[source] = self._dropped.get(source, 0) + 1
        overflow = self._overflows.setdefault(source, _Overflow())
        overflow.count += 1
        # A power of two has one bit set.
        if overflow.count & (overflow.count - 1) == 0:
            self._tell(
                source,
                "frames dropped",
                f"{overflow.count} thrown away so far, "
                f"{self._most_waiting} were waiting already",
            )

    def _end_overflows(self) -> None:
        """Tell the end where nothing was lost between two takings.

        Not at the first item that finds room: under a flood that would tell an end and
        a beginning at every taking.
        """
        for source, overflow in list(self._overflows.items()):
            if overflow.count == overflow.count_at_take:
                text = f"over, {overflow.count} thrown away"
                self._tell(source, "frames dropped", text)
                del self._overflows[source]
            overflow.count_at_take = overflow.count

    def _tell(self, source: str, kind: NoticeKind, text: str) -> None:
        """Add a notice; call with the lock held."""
        if len(self._notices) < MOST_NOTICES:
            self._notices.append(Notice(self.now_us(), source, kind, text))
        else:
            self._notices_dropped += 1
