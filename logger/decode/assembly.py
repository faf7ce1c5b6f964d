"""Puts messages together that need more than one frame, before they are decoded.

Which groups come in parts, and by which transport, is told: by a bundled table or the
van file. Everything else passes untouched, for the price of a look at the identifier.
"""

from dataclasses import dataclass
from enum import Enum

from logger.decode.fast_packet import FastPackets
from logger.decode.frames import Frame, Rejected
from logger.decode.j1939 import parameter_group
from logger.decode.transport import DATA_GROUP, MANAGEMENT_GROUP, Transport


class Carriage(Enum):
    """How a message of more than 8 bytes comes."""

    TRANSPORT = "transport"
    FAST_PACKET = "fast-packet"


@dataclass(frozen=True, slots=True)
class LongGroups:
    """The groups of a bus that come in parts.

    Attributes:
        transport: Those that the transport protocol may carry.
        fast: Those that always come as fast packets, short ones too.
    """

    transport: frozenset[int] = frozenset()
    fast: frozenset[int] = frozenset()


class Assembler:
    """Puts the long messages of one bus together; is fed and answers.

    Args:
        groups: Which groups come in parts.
    """

    def __init__(self, groups: LongGroups) -> None:
        self._fast_groups = groups.fast
        self._fast = FastPackets()
        self._transport = Transport(groups.transport)

    @property
    def held_bytes(self) -> int:
        """How much of unfinished messages is held, in bytes."""
        return self._fast.held_bytes + self._transport.held_bytes

    def feed(self, frame: Frame) -> list[Frame | Rejected] | None:
        """Take a frame of the bus.

        Returns:
            None for a frame that is no part of a long message. Otherwise what it
            finishes: whole messages, as frames with all their bytes and the time of
            the last part, and what was given up for want of a part.
        """
        if not frame.is_extended:
            return None
        group = parameter_group(frame.can_id)
        if group in self._fast_groups:
            return self._fast.feed(frame)
        if group in (DATA_GROUP, MANAGEMENT_GROUP):
            return self._transport.feed(frame)
        return None
