"""What was heard on each bus: identifiers, rates, bytes that move, decoded values.

Is fed and answers; knows no clock and no device. Each identifier is decoded by every
description that knows it; which of them is believed is seen at the end.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S
from logger.decode.assembly import Assembler, LongGroups
from logger.decode.descriptions import Decoder, DescribedMessage
from logger.decode.frames import Frame, Reason, Rejected
from logger.decode.j1939 import parameter_group
from replay.listening.described import Described, fitting_buses
from replay.listening.signals import SignalSeen

MOST_IDENTIFIERS = 5000
"""Of one bus; noise at a wrong bit rate must not fill the memory."""


@dataclass(slots=True)
class Decoded:
    """What one description makes of one identifier.

    Attributes:
        by: The description.
        decoder: Its message.
        signals: What each signal showed, in the message's order.
        refused: How often its frames were refused, by reason.
    """

    by: Described
    decoder: Decoder
    signals: list[SignalSeen]
    refused: dict[Reason, int] = field(default_factory=dict)

    def take(self, data: bytes) -> None:
        """Take in a payload."""
        values = self.decoder.decode(data)
        if isinstance(values, Rejected):
            self.refused[values.reason] = self.refused.get(values.reason, 0) + 1
            return
        for seen, value in zip(self.signals, values, strict=True):
            if value is not None:
                seen.add(value)


@dataclass(slots=True)
class Identifier:
    """One identifier on one bus.

    Attributes:
        can_id: The identifier.
        is_extended: True for one of 29 bits.
        first_us: Time of its first frame, microseconds since the beginning.
        n: How many frames.
        last_us: Time of the newest.
        longest: Bytes of the longest payload.
        moving: One flag a byte: whether it ever changed, or was missing.
        decoded: What the descriptions make of it.
        sample: The newest payload.
    """

    can_id: int
    is_extended: bool
    first_us: int
    sample: bytes
    n: int = 0
    last_us: int = 0
    longest: int = 0
    moving: list[bool] = field(default_factory=list)
    decoded: list[Decoded] = field(default_factory=list)

    @property
    def group(self) -> int | None:
        """The parameter group of a 29-bit identifier."""
        return parameter_group(self.can_id) if self.is_extended else None

    def take(self, frame: Frame) -> None:
        """Take in a frame."""
        data, before = frame.data, self.sample
        self.n += 1
        self.last_us = max(self.last_us, frame.t_us)
        if data != before or len(data) > len(self.moving):
            size = max(len(data), len(self.moving))
            self.moving += [False] * (size - len(self.moving))
            for place in range(size):
                if data[place : place + 1] != before[place : place + 1]:
                    self.moving[place] = True
        self.sample = data
        self.longest = max(self.longest, len(data))


@dataclass(slots=True)
class BusHeard:
    """Everything on one bus.

    Attributes:
        name: Its name in the van file, or in the recording behind a question mark.
        identifiers: What spoke, by identifier and kind.
        n: How many frames.
        given_up: Frames with identifiers beyond the most that are told apart.
        incomplete: Messages of several frames that were never whole.
    """

    name: str
    first_us: int
    assembler: Assembler
    n: int = 0
    last_us: int = 0
    given_up: int = 0
    incomplete: int = 0
    identifiers: dict[tuple[int, bool], Identifier] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        """From the first frame to the last, s."""
        return (self.last_us - self.first_us) / US_PER_S


@dataclass(slots=True)
class Ear:
    """Hears frames.

    Args:
        described: What frames are held against.
        long_groups: The groups that come in parts, by bus, where a van file says so.
    """

    described: Sequence[Described]
    long_groups: dict[str, LongGroups] = field(default_factory=dict)
    buses: dict[str, BusHeard] = field(default_factory=dict)
    _fits: dict[str, frozenset[str]] = field(default_factory=dict)

    def take(self, frame: Frame) -> None:
        """Take in a frame."""
        bus = self.buses.get(frame.bus) or self._begin(frame)
        bus.n += 1
        bus.last_us = max(bus.last_us, frame.t_us)
        key = (frame.can_id, frame.is_extended)
        each = bus.identifiers.get(key)
        if each is None:
            if len(bus.identifiers) >= MOST_IDENTIFIERS:
                bus.given_up += 1
                return
            each = self._meet(bus, frame)
        each.take(frame)
        parts = bus.assembler.feed(frame)
        if parts is None:
            _decode(each, frame.data)
            return
        for part in parts:
            if isinstance(part, Rejected):
                bus.incomplete += 1
            else:
                key = (part.can_id, part.is_extended)
                whole = bus.identifiers.get(key) or self._meet(bus, part)
                _decode(whole, part.data)

    def believed(self, bus: BusHeard, each: Identifier) -> Decoded | None:
        """Return what is believed of an identifier; None where it is unknown."""
        for decoded in each.decoded:
            if bus.name in self.fits(decoded.by):
                return decoded
        return None

    def fits(self, described: Described) -> frozenset[str]:
        """Return the buses that a description belongs to."""
        if described.bus is not None:
            return frozenset({described.bus, f"?{described.bus}"})
        if described.name not in self._fits:
            self._fits[described.name] = fitting_buses(self._known(described))
        return self._fits[described.name]

    def _known(self, described: Described) -> dict[str, int]:
        """Return how many identifiers of each bus a description knows."""
        return {
            bus.name: sum(
                any(decoded.by.name == described.name for decoded in each.decoded)
                for each in bus.identifiers.values()
            )
            for bus in self.buses.values()
        }

    def _begin(self, frame: Frame) -> BusHeard:
        groups = self.long_groups.get(frame.bus)
        if groups is None:
            of_all = [
                each.long_groups
                for each in self.described
                if _may_be_for(each, frame.bus)
            ]
            groups = LongGroups(
                transport=frozenset().union(*(each.transport for each in of_all)),
                fast=frozenset().union(*(each.fast for each in of_all)),
            )
        bus = BusHeard(frame.bus, frame.t_us, Assembler(groups))
        self.buses[frame.bus] = bus
        return bus

    def _meet(self, bus: BusHeard, frame: Frame) -> Identifier:
        self._fits.clear()
        each = Identifier(frame.can_id, frame.is_extended, frame.t_us, frame.data)
        for described in self.described:
            decoder = described.table.find(frame)
            if decoder is not None and _may_be_for(described, bus.name):
                each.decoded.append(Decoded(described, decoder, _signals(decoder)))
        bus.identifiers[frame.can_id, frame.is_extended] = each
        return each


def _may_be_for(described: Described, bus: str) -> bool:
    return described.bus is None or described.bus == bus.removeprefix("?")


def _decode(each: Identifier, data: bytes) -> None:
    for decoded in each.decoded:
        decoded.take(data)


def _signals(decoder: Decoder) -> list[SignalSeen]:
    units: dict[str, str | None] = {}
    if isinstance(decoder, DescribedMessage):
        units = {each.name: each.unit for each in decoder.message.signals}
    return [SignalSeen(name, units.get(name) or "") for name in decoder.signals]


def in_order(bus: BusHeard) -> Iterator[Identifier]:
    """Yield the identifiers of a bus that spoke, 11 bits first, by number."""
    keys = sorted(bus.identifiers, key=lambda key: (key[1], key[0]))
    return (bus.identifiers[key] for key in keys)
