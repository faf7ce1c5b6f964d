"""The described messages of every bus, and what a feed of a CAN signal comes to.

Knows settings and described messages; reads no file. What does not fit is noted.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from logger.decode.assembly import LongGroups
from logger.decode.descriptions import (
    DescribedMessage,
    Key,
    Match,
    MessageTable,
    clashes,
)
from logger.decode.fault_codes import DM1_GROUP, FaultFamily
from logger.pipeline.spec import Feed
from logger.van.draft import Draft, Note
from logger.van.faults import nearest, shown
from logger.van.settings import BusSection, FeedSection

FIND_THE_SIGN = (
    "No source gives its sign, so the van file has to. Write flip = false, switch on a "
    "load with no sun and no charger, and look at the battery's current: while the "
    "battery gives, it must be negative (what a load or an inverter draws, positive). "
    "If it is not, write flip = true."
)
SAY_HOW = (
    'Give long_messages: "transport" or "fast-packet" where the message comes in '
    'several frames, "none" where one frame holds it.'
)

FeedsOfMessages = Mapping[tuple[str, str], Sequence[Feed]]
"""Feeds by bus and message name."""


@dataclass(slots=True)
class BusMessages:
    """The described messages of one bus.

    Attributes:
        known: By name.
        keyed: With what their frames are matched by, in the order of the files.
        is_whole: True if every description of the bus could be read.
        transport: The groups that the transport protocol may carry.
        fast: The groups that come as fast packets.
        untold: Messages of more than 8 bytes of which nobody said how they come, and
            the place of their description.
        faults: Whose fault codes are listened for.
        without_sign: Message and signal of each value whose sign no source gives.
    """

    known: dict[str, DescribedMessage] = field(default_factory=dict)
    keyed: list[tuple[Key, DescribedMessage]] = field(default_factory=list)
    is_whole: bool = True
    transport: set[int] = field(default_factory=set)
    fast: set[int] = field(default_factory=set)
    untold: dict[str, str] = field(default_factory=dict)
    faults: set[FaultFamily] = field(default_factory=set)
    without_sign: set[tuple[str, str]] = field(default_factory=set)

    def long_groups(self, fed: Collection[Key]) -> LongGroups:
        """Return the groups that have to be put together, for feeds and for faults."""
        groups = {key.number for key in fed if key.match is Match.GROUP}
        if FaultFamily.J1939 in self.faults:
            groups.add(DM1_GROUP)
        return LongGroups(
            transport=frozenset(self.transport & groups),
            fast=frozenset(self.fast & groups),
        )


@dataclass(frozen=True, slots=True)
class BoundBuses:
    """What the pipeline has to know of the buses, by bus name.

    Attributes:
        messages: How frames find their decoder.
        long_groups: The groups that come in parts.
        faults: Whose fault codes are listened for.
    """

    messages: Mapping[str, MessageTable]
    long_groups: Mapping[str, LongGroups]
    faults: Mapping[str, frozenset[FaultFamily]]


def bind_buses(
    described: Mapping[str, BusMessages], feeds: FeedsOfMessages, note: Note
) -> BoundBuses:
    """Keep only messages that feed something: the rest need no decoding."""
    tables = {}
    long_groups = {}
    for bus, messages in described.items():
        fed = [pair for pair in messages.keyed if (bus, pair[1].name) in feeds]
        for first, second in clashes([(key, each.name) for key, each in fed]):
            fix = f"The same frames would be {first}; feed from one of them."
            note(f"[[bus]] {bus}", f"message {second}", fix)
        tables[bus] = MessageTable(fed)
        groups = messages.long_groups([key for key, _ in fed])
        if groups != LongGroups():
            long_groups[bus] = groups
    faults = {
        bus: frozenset(messages.faults)
        for bus, messages in described.items()
        if messages.faults
    }
    return BoundBuses(tables, long_groups, faults)


@dataclass(frozen=True, slots=True)
class SignalFinder:
    """Finds the signals that feeds name.

    Args:
        draft: The sections of the van file.
        described: The messages of each bus.
        note: Called for what is not there.
    """

    draft: Draft
    described: Mapping[str, BusMessages]
    note: Note

    def slot(self, place: str, section: FeedSection) -> int | None:
        """Return the place of a feed's signal in its message, or note a fault."""
        bus, message, signal = section.bus, section.message, section.signal
        assert bus is not None
        assert message is not None
        assert signal is not None
        found = self._message(place, bus, message)
        if found is None:
            return None
        if signal not in found.signals:
            self.note(f"{place} signal", shown(signal), nearest(signal, found.signals))
            return None
        untold = self.described[bus].untold.pop(message, None)
        if untold is not None:
            saw = f"nothing, and message {message} of {found.message.length} bytes"
            self.note(f"{untold} long_messages", saw, SAY_HOW)
        is_open = (message, signal) in self.described[bus].without_sign
        if is_open and section.flip is None:
            self.note(f"{place} flip", "nothing", FIND_THE_SIGN)
        return found.signals.index(signal)

    def only(
        self, place: str, section: FeedSection
    ) -> tuple[tuple[int, float], ...] | None:
        """Return what other signals have to be for a feed to count, or note a fault."""
        if section.bus is None or section.message is None:
            if section.only or section.address is not None:
                fix = "Leave only and address out: they belong to messages of a bus."
                self.note(place, "only or address", fix)
            return ()
        signals = self.described[section.bus].known[section.message].signals
        wanted = section.only or {}
        for signal in wanted:
            if signal not in signals:
                fix = nearest(signal, signals)
                self.note(f"{place} only", shown(signal), fix)
                return None
        return tuple((signals.index(name), value) for name, value in wanted.items())

    def _message(self, place: str, bus: str, message: str) -> DescribedMessage | None:
        if bus not in self.described:
            self._note_bus(place, bus)
            return None
        known = self.described[bus].known
        if message not in known and self.described[bus].is_whole:
            self.note(f"{place} message", shown(message), nearest(message, known))
        return known.get(message)

    def _note_bus(self, place: str, bus: str) -> None:
        buses = [each.section.name for each in self.draft.each(BusSection)]
        if bus in buses:
            fix = "Describe this bus: no [[description]] names it."
            self.note(f"{place} bus", shown(bus), fix)
        elif None not in buses:
            self.note(f"{place} bus", shown(bus), nearest(bus, buses))
