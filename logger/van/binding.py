"""Ties every feed of a van file to its source and builds what the pipeline needs.

Knows settings and described messages; reads no file. What does not fit is noted, and
the rest is tied all the same, so that one fault hides no other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.soc import TWO_SIDED_95, Count, PackSpec
from logger.core.tick import US_PER_S, GapRule
from logger.decode.text_lines import Form
from logger.pipeline.spec import (
    REPORTED_SOC,
    SOC_CELLS,
    BookingSpec,
    Feed,
    PipelineSpec,
)
from logger.quantities import Channel, find_channel, nearest_pattern
from logger.van.bus_messages import (
    BoundBuses,
    BusMessages,
    SignalFinder,
    bind_buses,
)
from logger.van.draft import Draft, Note, Numbered
from logger.van.faults import nearest, shown
from logger.van.line_forms import line_forms, line_kinds
from logger.van.line_kind import LineKind
from logger.van.settings import (
    FeedSection,
    LineSection,
    PackSection,
    PortSection,
    Settings,
    StringSection,
    TableSection,
)
from logger.van.units import gain, unit_misfit

COUNTED_HERE = frozenset(
    {
        *SOC_CELLS,
        "pack.charging_power_w",
        "pack.discharging_power_w",
    }
)
"""The channels that the program works out itself and no box may feed."""


ONE_SOURCE = (
    "Give bus, message and signal, or table and column, or port, line and field."
)


@dataclass(frozen=True, slots=True)
class BoundFeeds:
    """Every feed, tied to its source.

    Attributes:
        buses: What there is to know of the buses.
        of_message: The feeds of each message, by bus and message name.
        of_table: The feeds of each table's rows, by table name.
        lines: The kinds of line of each port, by port name.
        of_line: The feeds of each kind of line, by port and line name.
    """

    buses: BoundBuses
    of_message: Mapping[tuple[str, str], tuple[Feed, ...]]
    of_table: Mapping[str, tuple[Feed, ...]]
    lines: Mapping[str, tuple[Form, ...]]
    of_line: Mapping[tuple[str, str], tuple[Feed, ...]]


def bind_feeds(
    draft: Draft, described: Mapping[str, BusMessages], note: Note
) -> tuple[BoundFeeds, dict[str, tuple[str, ...]]]:
    """Return the feeds tied to their sources, and each table's columns in feed order.

    Args:
        draft: The sections of the van file.
        described: The messages of each bus.
        note: Called for every feed that does not fit.
    """
    return _Binder(draft, described, note).bind()


def gap_rules(
    feeds: Sequence[FeedSection], tables: Sequence[TableSection]
) -> dict[str, GapRule]:
    """Return the gap rule of each fed channel: that of its best-ranked feed."""
    named = {table.name: table for table in tables}
    rules = {}
    for feed in sorted(feeds, key=lambda section: -section.rank):
        table = named.get(feed.table or "")
        max_gap_s = feed.max_gap_s or (table.max_gap_s if table else None)
        period_s = feed.period_s or (table.period_s if table else None)
        rules[feed.channel] = GapRule(_us(max_gap_s), _us(period_s))
    return rules


def booking_spec(settings: Settings) -> BookingSpec:
    """Return what booking needs of a sound van file, whatever its descriptions."""
    pack = settings.pack
    own = BookingSpec(
        pack=_pack_spec(pack),
        start=_start(pack),
        is_start_reported=pack is not None and pack.start_from_meter,
    )
    return own.fed_by(gap_rules(settings.feeds, settings.tables))


def pipeline_spec(settings: Settings, feeds: BoundFeeds) -> PipelineSpec:
    """Return what the pipeline needs of a sound van file."""
    pack = settings.pack
    return PipelineSpec(
        messages=feeds.buses.messages,
        message_feeds=feeds.of_message,
        long_groups=feeds.buses.long_groups,
        faults=feeds.buses.faults,
        table_feeds=feeds.of_table,
        lines=feeds.lines,
        line_feeds=feeds.of_line,
        told=_told(settings, feeds),
        pack=_pack_spec(pack),
        start=_start(pack),
        is_start_reported=pack is not None and pack.start_from_meter,
        metres_per_motor_turn=metres_per_motor_turn(settings),
    )


@dataclass(slots=True)
class _Binder:
    draft: Draft
    described: Mapping[str, BusMessages]
    note: Note
    columns: dict[str, list[str]] = field(default_factory=dict)
    fields: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    kinds: list[LineKind] = field(default_factory=list)

    @property
    def _signals(self) -> SignalFinder:
        return SignalFinder(self.draft, self.described, self.note)

    def bind(self) -> tuple[BoundFeeds, dict[str, tuple[str, ...]]]:
        sections = self.draft.each(FeedSection)
        tables = [each.section for each in self.draft.each(TableSection)]
        self.kinds = line_kinds(self.draft, self.note)
        rules = gap_rules([s.section for s in sections if s.is_whole], tables)
        of_message: dict[tuple[str, str], list[Feed]] = {}
        of_table: dict[str, list[Feed]] = {}
        of_line: dict[tuple[str, str], list[Feed]] = {}
        taken: set[tuple[str, int]] = set()
        for each in sections:
            section, place = each.section, each.place
            found = self._channel(place, section)
            slot = self._slot(each)
            if not each.is_whole:
                continue
            if (section.channel, section.rank) in taken:
                fix = "Rank the feeds of one channel 1, 2 …; no two alike."
                self.note(f"{place} rank", shown(section.rank), fix)
            taken.add((section.channel, section.rank))
            if found is None or slot is None:
                continue
            only = self._signals.only(place, section)
            if only is None:
                continue
            feed = _feed(found, slot, section, rules[section.channel], only)
            if section.table is not None:
                of_table.setdefault(section.table, []).append(feed)
            elif section.line is not None:
                key = (section.port or "", section.line)
                of_line.setdefault(key, []).append(feed)
            else:
                key = (section.bus or "", section.message or "")
                of_message.setdefault(key, []).append(feed)
        self._check_reported_start(sections)
        bound = BoundFeeds(
            buses=bind_buses(self.described, of_message, self.note),
            of_message={key: tuple(feeds) for key, feeds in of_message.items()},
            of_table={key: tuple(feeds) for key, feeds in of_table.items()},
            lines=line_forms(self.kinds, self.fields),
            of_line={key: tuple(feeds) for key, feeds in of_line.items()},
        )
        return bound, {name: tuple(each) for name, each in self.columns.items()}

    def _check_reported_start(self, feeds: Sequence[Numbered[FeedSection]]) -> None:
        pack = self.draft.pack
        if pack is None or pack.start_from_meter is not True:
            return
        names = [each.section.channel for each in feeds]
        are_known = all(name and find_channel(name) for name in names)
        if are_known and REPORTED_SOC not in names:
            fix = f"Feed the channel {REPORTED_SOC}, or give start_soc_pct instead."
            self.note("[pack] start_from_meter", "true without such a feed", fix)

    def _channel(self, place: str, section: FeedSection) -> Channel | None:
        if section.channel is None:
            return None
        found = find_channel(section.channel)
        if found is None:
            close = nearest_pattern(section.channel)
            fix = f"The nearest known is {close}." if close else "See the channel list."
            self.note(f"{place} channel", shown(section.channel), fix)
            return None
        if found.name in COUNTED_HERE:
            fix = "This channel is counted here; what a box reports is meter.soc_pct."
            self.note(f"{place} channel", shown(section.channel), fix)
            return None
        if found.quantity.part == "sun":
            self._check_string(place, found)
        fix = unit_misfit(found, section.unit)
        if fix:
            self.note(f"{place} unit", shown(section.unit), fix)
            return None
        if section.scale == 0:
            fix = "Give a factor that is not 0: it would make every value the same."
            self.note(f"{place} scale", shown(section.scale), fix)
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

    def _check_string(self, place: str, found: Channel) -> None:
        strings = [each.section.name for each in self.draft.each(StringSection)]
        if found.which not in strings and None not in strings:
            close = nearest(found.which, strings)
            fix = f"Describe each solar string as [[string]]. {close}"
            self.note(f"{place} channel", shown(found.name), fix)

    def _slot(self, each: Numbered[FeedSection]) -> int | None:
        """Return the place of a feed's value in its message or row, or note a fault."""
        section, place = each.section, each.place
        kinds = (
            (section.bus, section.message, section.signal),
            (section.table, section.column),
            (section.port, section.line, section.field),
        )
        if sum(any(kind) for kind in kinds) > 1:
            self.note(place, "more than one kind of source", ONE_SOURCE)
        elif section.port and section.line and section.field:
            return self._field_slot(place, section.port, section.line, section.field)
        elif section.table is not None and section.column is not None:
            return self._column_slot(place, section.table, section.column)
        elif section.bus and section.message and section.signal:
            return self._signals.slot(place, section)
        elif each.is_whole:
            self.note(place, "no whole source", ONE_SOURCE)
        return None

    def _column_slot(self, place: str, table: str, column: str) -> int | None:
        tables = [each.section.name for each in self.draft.each(TableSection)]
        if table not in tables:
            if None not in tables:
                self.note(f"{place} table", shown(table), nearest(table, tables))
            return None
        known = self.columns.setdefault(table, [])
        known.append(column)
        return len(known) - 1

    def _field_slot(self, place: str, port: str, line: str, field: str) -> int | None:
        of_port = [each for each in self.kinds if each.port == port]
        found = next((each for each in of_port if each.name == line), None)
        if found is None:
            self._note_line(place, port, line, [each.name for each in of_port])
            return None
        if found.fields is not None and field not in found.fields:
            close = nearest(field, found.fields)
            self.note(f"{place} field", shown(field), close)
            return None
        known = self.fields.setdefault((port, line), [])
        known.append(field)
        return len(known) - 1

    def _note_line(
        self, place: str, port: str, line: str, known: Sequence[str]
    ) -> None:
        """Note a line that is not there, unless that follows from another fault."""
        sections = self.draft.each(PortSection)
        ports = [each.section.name for each in sections]
        if port not in ports and None not in ports:
            if not known:
                self.note(f"{place} port", shown(port), nearest(port, ports))
            return  # otherwise it is told where the line names it
        are_whole = [each.is_whole for each in self.draft.each(LineSection)]
        if all(are_whole) and all(each.is_whole for each in sections):
            fix = f"Describe the line as [[line]] of this port. {nearest(line, known)}"
            self.note(f"{place} line", shown(line), fix)


def _us(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * US_PER_S)


def _feed(
    channel: Channel,
    slot: int,
    section: FeedSection,
    rule: GapRule,
    only: tuple[tuple[int, float], ...],
) -> Feed:
    scale, offset = gain(section)
    return Feed(
        channel=channel,
        slot=slot,
        scale=scale,
        offset=offset,
        codes=section.codes,
        missing=frozenset(section.missing),
        rank=section.rank,
        rule=rule,
        only=only,
        address=section.address,
    )


def _told(settings: Settings, feeds: BoundFeeds) -> tuple[str, ...]:
    """Return the channels that a person tells because no box does."""
    names = {
        f"awning.{each.awning}.extended" for each in settings.strings if each.awning
    }
    sources = (feeds.of_message, feeds.of_table, feeds.of_line)
    fed = {
        feed.channel.name
        for source in sources
        for of_one in source.values()
        for feed in of_one
    }
    return tuple(sorted(names - fed))


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


def metres_per_motor_turn(settings: Settings) -> float | None:
    """Return the way per turn of the motor shaft, m; None if not known."""
    wheels = settings.wheels
    if wheels is None:
        return None
    return wheels.circumference_m / wheels.motor_turns_per_wheel_turn
