"""Ties every feed of a van file to its source and builds what the pipeline needs.

Knows settings and described messages; reads no file. What does not fit is noted, and
the rest is tied all the same, so that one fault hides no other.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.soc import TWO_SIDED_95, Count, PackSpec
from logger.core.tick import US_PER_S, GapRule
from logger.decode.descriptions import DescribedMessage, Key, MessageTable, clashes
from logger.pipeline.spec import Feed, PipelineSpec
from logger.quantities import Channel, find_channel, nearest_pattern
from logger.van.faults import nearest, shown
from logger.van.settings import FeedSection, PackSection, Settings

Note = Callable[[str, str, str], None]
"""Takes one fault: the section and key, what was found there, what to do."""


@dataclass(frozen=True, slots=True)
class BusMessages:
    """The described messages of one bus: by name, and by what frames match."""

    known: dict[str, DescribedMessage] = field(default_factory=dict)
    keyed: list[tuple[Key, DescribedMessage]] = field(default_factory=list)


def bind_feeds(
    settings: Settings, described: Mapping[str, BusMessages], note: Note
) -> tuple[PipelineSpec, dict[str, tuple[str, ...]]]:
    """Return what the pipeline needs, and each table's columns in feed order.

    Args:
        settings: The sound sections of the van file.
        described: The messages of each bus.
        note: Called for every feed that does not fit.
    """
    return _Binder(settings, described, note).bind()


@dataclass(slots=True)
class _Binder:
    settings: Settings
    described: Mapping[str, BusMessages]
    note: Note
    columns: dict[str, list[str]] = field(default_factory=dict)

    def bind(self) -> tuple[PipelineSpec, dict[str, tuple[str, ...]]]:
        settings = self.settings
        rules = _rules(settings)
        message_feeds: dict[tuple[str, str], list[Feed]] = {}
        table_feeds: dict[str, list[Feed]] = {}
        taken: set[tuple[str, int]] = set()
        for number, section in enumerate(settings.feeds, start=1):
            place = f"[[feed]] {number}"
            found = self._channel(place, section)
            if (section.channel, section.rank) in taken:
                fix = "Rank the feeds of one channel 1, 2 …; no two alike."
                self.note(f"{place} rank", shown(section.rank), fix)
            taken.add((section.channel, section.rank))
            slot = self._slot(place, section)
            if found is None or slot is None:
                continue
            feed = _feed(found, slot, section, rules[section.channel])
            if section.table is not None:
                table_feeds.setdefault(section.table, []).append(feed)
            else:
                key = (section.bus or "", section.message or "")
                message_feeds.setdefault(key, []).append(feed)
        spec = PipelineSpec(
            messages=self._tables_of_messages(message_feeds),
            message_feeds={key: tuple(feeds) for key, feeds in message_feeds.items()},
            table_feeds={key: tuple(feeds) for key, feeds in table_feeds.items()},
            pack=_pack_spec(settings.pack),
            start=_start(settings.pack),
            is_start_reported=settings.pack is not None
            and settings.pack.start_from_meter,
            metres_per_motor_turn=_metres_per_motor_turn(settings),
        )
        return spec, {name: tuple(each) for name, each in self.columns.items()}

    def _channel(self, place: str, section: FeedSection) -> Channel | None:
        found = find_channel(section.channel)
        if found is None:
            close = nearest_pattern(section.channel)
            fix = f"The nearest known is {close}." if close else "See the channel list."
            self.note(f"{place} channel", shown(section.channel), fix)
            return None
        if section.codes is not None:
            known = {code.number for code in found.quantity.codes}
            wrong = sorted(set(section.codes.values()) - known)
            if wrong:
                meanings = (f"{c.number} {c.label}" for c in found.quantity.codes)
                fix = "Known codes are " + ", ".join(meanings) + "."
                if not known:
                    fix = "Leave codes out: this channel holds a number."
                self.note(f"{place} codes", shown(wrong), fix)
                return None
        return found

    def _slot(self, place: str, section: FeedSection) -> int | None:
        """Return the place of a feed's value in its message or row, or note a fault."""
        if section.table is not None and section.column is not None:
            if section.bus or section.message or section.signal:
                fix = "Give table and column, or bus, message and signal; not both."
                self.note(place, "both kinds of source", fix)
                return None
            tables = [table.name for table in self.settings.tables]
            if section.table not in tables:
                fix = nearest(section.table, tables)
                self.note(f"{place} table", shown(section.table), fix)
                return None
            known = self.columns.setdefault(section.table, [])
            known.append(section.column)
            return len(known) - 1
        if section.bus is None or section.message is None or section.signal is None:
            fix = "Give table and column, or bus, message and signal."
            self.note(place, "no whole source", fix)
            return None
        return self._signal_slot(place, section.bus, section.message, section.signal)

    def _signal_slot(
        self, place: str, bus: str, message: str, signal: str
    ) -> int | None:
        if bus not in self.described:
            fix = f"No description of this bus. {nearest(bus, self.described)}"
            self.note(f"{place} bus", shown(bus), fix)
            return None
        known = self.described[bus].known
        if message not in known:
            self.note(f"{place} message", shown(message), nearest(message, known))
            return None
        signals = known[message].signals
        if signal not in signals:
            self.note(f"{place} signal", shown(signal), nearest(signal, signals))
            return None
        return signals.index(signal)

    def _tables_of_messages(
        self, feeds: Mapping[tuple[str, str], Sequence[Feed]]
    ) -> dict[str, MessageTable]:
        """Keep only messages that feed something: the rest need no decoding."""
        tables = {}
        for bus, messages in self.described.items():
            fed = [pair for pair in messages.keyed if (bus, pair[1].name) in feeds]
            for first, second in clashes([(key, each.name) for key, each in fed]):
                fix = f"The same frames would be {first}; feed from one of them."
                self.note(f"[[bus]] {bus}", f"message {second}", fix)
            tables[bus] = MessageTable(fed)
        return tables


def _rules(settings: Settings) -> dict[str, GapRule]:
    """Return the gap rule of each fed channel: that of its best-ranked feed."""
    tables = {table.name: table for table in settings.tables}
    rules = {}
    for feed in sorted(settings.feeds, key=lambda each: -each.rank):
        table = tables.get(feed.table or "")
        max_gap_s = feed.max_gap_s or (table.max_gap_s if table else None)
        period_s = feed.period_s or (table.period_s if table else None)
        rules[feed.channel] = GapRule(
            max_gap_us=_us(max_gap_s), period_us=_us(period_s)
        )
    return rules


def _us(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * US_PER_S)


def _feed(channel: Channel, slot: int, section: FeedSection, rule: GapRule) -> Feed:
    sign = -1.0 if section.flip else 1.0
    return Feed(
        channel=channel,
        slot=slot,
        scale=sign * section.scale,
        offset=sign * section.offset,
        codes=section.codes,
        missing=frozenset(section.missing),
        rank=section.rank,
        rule=rule,
    )


def _pack_spec(pack: PackSection | None) -> PackSpec | None:
    if pack is None:
        return None
    return PackSpec.of(pack.nameplate_ah, pack.capacity_is_measured)


def _start(pack: PackSection | None) -> Count:
    if pack is None:
        return Count()
    return Count(
        counted_pct=pack.start_soc_pct,
        start_sigma_pct=pack.start_band_pct / TWO_SIDED_95,
    )


def _metres_per_motor_turn(settings: Settings) -> float | None:
    wheels = settings.wheels
    if wheels is None:
        return None
    return wheels.circumference_m / wheels.motor_turns_per_wheel_turn
