"""A CAN bus on one of python-can's other adapters. Never transmits.

Interfaces of the kernel and serial-line adapters have readers of their own: see
`socketcan` and `slcan`.

Not python-can's Notifier: its thread ends at the first bus error unless a listener
prevents it, and all is silent from then on (4.6.1, measured).
"""

import logging
import select
import time
from dataclasses import dataclass
from typing import Any

import can

from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.reasons import fix_of, reason_of

# python-can logs every failed opening by itself; the supervisor tells it once.
logging.getLogger("can").setLevel(logging.CRITICAL)

WAIT_S = 0.2
"""Longest wait for a frame: how long a stop may take."""

MOST_FRAMES = 256
"""Read in one go before looking whether to stop: 70 ms of a full 500 kbit/s bus."""

SHORTEST_NAP_S = 0.001
LONGEST_NAP_S = 0.010
"""Between two looks at a bus that cannot be waited for; some 100 looks a second cost
1 % of a core (2-core x86-64, measured)."""


@dataclass(frozen=True, slots=True)
class Adapter:
    """What python-can wants to be told about one kind of adapter.

    Attributes:
        bit_rate: Keyword of the bit rate; empty where it is not ours to set.
        can_be_silent: False where nobody can ask it to listen only.
    """

    bit_rate: str = ""
    can_be_silent: bool = True


ADAPTERS = {
    # No wire.
    "virtual": Adapter(),
    "udp_multicast": Adapter(),
}

OTHER_ADAPTER = Adapter(bit_rate="bitrate", can_be_silent=False)
"""python-can has one word for the bit rate, and none for listening only."""

OPENING_ERRORS = (
    can.CanError, OSError, ValueError, TypeError, ImportError, AttributeError,
    NotImplementedError,
)  # fmt: skip
"""What python-can's interfaces raise when something is missing or wrong."""

UNREADABLE = (ValueError, IndexError)
"""What python-can's text adapters raise at a frame that was garbled on its way."""

MOST_UNREADABLE = 1000
"""In a row, without one sound frame: then it is not the line."""


class CanSource:
    """One CAN bus.

    Args:
        bus_name: Name of the bus in the van file.
        channel: The interface, as python-can's `channel`.
        adapter: Kind of interface, by python-can's name of it.
        bit_rate: Bits a second; None for what the adapter is set to.
        listen_only: True if the adapter must not even acknowledge.
        inbox: Where the frames go.

    Attributes:
        error_frames: Error frames since the start; they carry no data.
        remote_frames: Remote frames since the start; they carry none either.
        unreadable_frames: Frames that were garbled between adapter and computer.
    """

    def __init__(
        self,
        bus_name: str,
        channel: str,
        adapter: str,
        bit_rate: int | None,
        listen_only: bool,
        inbox: Inbox,
    ) -> None:
        self.error_frames = 0
        self.remote_frames = 0
        self.unreadable_frames = 0
        self._name = f"bus {bus_name}"
        self._bus_name = bus_name
        self._channel = channel
        self._adapter = adapter
        self._bit_rate = bit_rate
        self._is_listen_only = listen_only
        self._inbox = inbox

    @property
    def name(self) -> str:
        """Name of the source."""
        return self._name

    def open(self) -> "CanSession":
        """Open the bus for listening.

        Raises:
            SourceError: The adapter is not there, or not one that only listens.
        """
        words = self._words()
        try:
            bus = can.Bus(
                interface=self._adapter,
                channel=self._channel,
                receive_own_messages=False,
                # No file outside the van file has a say.
                ignore_config=True,
                **words,
            )
        except OPENING_ERRORS as err:
            raise SourceError(
                where=f"{self.name} ({self._channel})",
                saw=reason_of(err),
                fix=fix_of(
                    err, "Look at the keys interface, adapter and bit_rate of this bus."
                ),
            ) from err
        return CanSession(self, bus)

    def take_in(self, message: can.Message) -> int:
        """Hand a frame over, or count it; return how many frames were handed over."""
        if message.is_error_frame:
            self.error_frames += 1
            return 0
        if message.is_remote_frame:
            self.remote_frames += 1
            return 0
        self._inbox.frame(
            self._name,
            self._bus_name,
            message.arbitration_id,
            message.is_extended_id,
            bytes(message.data),
        )
        return 1

    def _words(self) -> dict[str, Any]:
        """Return the keywords that this kind of adapter wants."""
        kind = ADAPTERS.get(self._adapter, OTHER_ADAPTER)
        if self._is_listen_only and not kind.can_be_silent:
            raise SourceError(
                where=f"{self.name} ({self._channel})",
                saw=f"adapter {self._adapter}, which cannot be told to listen only",
                fix='Use socketcan or slcan, or set mode to "acknowledge".',
            )
        words: dict[str, Any] = {}
        if kind.bit_rate and self._bit_rate is not None:
            words[kind.bit_rate] = self._bit_rate
        return words


class CanSession:
    """An open bus.

    Args:
        source: Takes the frames.
        bus: Owned by the session from now on.
    """

    def __init__(self, source: CanSource, bus: can.BusABC) -> None:
        self._source = source
        self._bus = bus
        self._descriptor = _descriptor_of(bus)
        self._has_more = False
        self._unreadable_in_a_row = 0

    def read(self) -> int:
        """Hand over the frames that came in; return how many.

        Never waits in python-can: its time-out is measured on the wall clock, and after
        a step backwards it lasts as long as the step (4.6.1, measured).
        """
        if self._descriptor is None:
            return self._poll()
        if not self._has_more:
            # A text adapter may hold frames that it has read already; so the wait is
            # left out while there may be some.
            ready, _, _ = select.select([self._descriptor], [], [], WAIT_S)
            count = self._drain()
            if ready and not count and not self._has_more:
                # Readable and nothing in it, such as half a frame: must not spin.
                time.sleep(SHORTEST_NAP_S)
            return count
        return self._drain()

    def close(self) -> None:
        """Let go of the bus."""
        self._bus.shutdown()

    def _poll(self) -> int:
        """Look again and again, with growing naps, until something is there."""
        nap_s, waited_s = SHORTEST_NAP_S, 0.0
        while True:
            count = self._drain()
            if count or waited_s >= WAIT_S:
                return count
            time.sleep(nap_s)
            waited_s += nap_s
            nap_s = min(2 * nap_s, LONGEST_NAP_S)

    def _drain(self) -> int:
        """Hand over what is there, up to a limit; return how many frames."""
        count = 0
        for _ in range(MOST_FRAMES):
            try:
                message = self._bus.recv(0)
            except UNREADABLE:
                self._source.unreadable_frames += 1
                self._unreadable_in_a_row += 1
                if self._unreadable_in_a_row > MOST_UNREADABLE:
                    raise
                continue
            if message is None:
                self._has_more = False
                return count
            self._unreadable_in_a_row = 0
            count += self._source.take_in(message)
        self._has_more = True
        return count


def _descriptor_of(bus: can.BusABC) -> int | None:
    """Return what the operating system can wait for; None where there is no such."""
    try:
        descriptor = bus.fileno()
    except (NotImplementedError, can.CanError, OSError):
        return None
    return descriptor if descriptor >= 0 else None
