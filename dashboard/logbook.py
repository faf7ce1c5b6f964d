"""The Log: trips by day, read downward as sums are, as ready-made words.

Pure: stored trips in, a page of entries out. Figures are rounded one by one and the
sums are those of the printed figures, so that a reader who adds them up gets the same.
What a total did not see is said: `at least`. Missing is a dash, never 0.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from dashboard.wording import (
    DASH,
    Units,
    band_text,
    date_text,
    day_text,
    kilowatt_hours,
    number,
    percent,
    span_text,
)
from logger.core.tick import US_PER_S, Gap
from logger.core.trips import Trip
from logger.live import LiveTrip
from logger.store.reader import RunRow

DAYS_A_PAGE = 14
"""Days with trips on one page."""

LEAST_UNSEEN_US = US_PER_S
"""Less than a second unseen is not worth a line."""

NOT_CONFIRMED = "date not confirmed"
"""What stands against a date that only the computer's own clock gave."""

LEADING = ("pack.current_a", "road.speed_mps")
"""The channels whose silence a trip's sums suffer from."""


@dataclass(frozen=True, slots=True)
class TripRecord:
    """One stored trip with what a page has to know of its run.

    Attributes:
        run: Its run.
        index: Its place among the trips of the run, from 0.
        trip: The trip.
        gaps: Stretches of any channel that were not seen in the run.
    """

    run: RunRow
    index: int
    trip: Trip
    gaps: tuple[Gap, ...] = ()

    @property
    def folio(self) -> str:
        """The number by which people name it on the telephone."""
        return f"{self.run.id}.{self.index + 1}"

    @property
    def url(self) -> str:
        """Its page."""
        return f"/log/{self.run.id}/{self.trip.start_us}"

    @property
    def start_us(self) -> int | None:
        """Its start, microseconds since the Unix epoch; None where undated."""
        return self.run.date_us(self.trip.start_us)


@dataclass(frozen=True, slots=True)
class Entry:
    """One trip as it stands in the Log.

    Attributes:
        when: Time of day; empty where undated.
        name: What it is called.
        url: Its page; empty while it is under way.
        way: Distance without unit.
        use: Consumption without unit.
        into: Energy into the pack, kWh.
        out: Energy out of it, kWh.
        store: Charge at the end.
        detail: Way and consumption in the small line, where there is no column.
        length: How long it took, behind that.
        notes: What stands against it.
        is_clock_unsure: True where its date may be wrong.
    """

    when: str
    name: str
    url: str
    way: str
    use: str
    into: str
    out: str
    store: str
    detail: str
    length: str
    notes: tuple[str, ...] = ()
    is_clock_unsure: bool = False


@dataclass(frozen=True, slots=True)
class Day:
    """The entries of one day, under its heading."""

    heading: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Sums:
    """What the shown days come to; each as printed, `at least` where it is so."""

    way: str
    use: str
    into: str
    out: str
    is_at_least: bool


@dataclass(frozen=True, slots=True)
class LogPage:
    """One page of the Log.

    Attributes:
        days: Days, oldest first.
        sums: What they come to; None without an entry.
        earlier: First day of this page, for the key to earlier ones; None at the start.
        later: The day before which the next page ends; None on the newest page.
        has_later: True where there are later days.
        store: The charge now or at the last entry, with its band.
        store_label: What that charge is of.
        is_store_live: True where it is the charge of now.
    """

    days: tuple[Day, ...]
    sums: Sums | None
    earlier: date | None
    later: date | None
    has_later: bool
    store: str
    store_label: str
    is_store_live: bool


def log_page(
    records: Sequence[TripRecord],
    units: Units,
    before: date | None = None,
    so_far: Entry | None = None,
    now: str = "",
) -> LogPage:
    """Return one page of the Log.

    Args:
        records: The trips of that page and of the days around it, in order of date;
            undated ones anywhere.
        units: Zone and units of the van.
        before: Show the days before this one; None for the newest.
        so_far: The trip under way, for the newest page.
        now: The charge of now with its band; empty where nobody can tell.
    """
    dated = _by_day(records, units)
    days = sorted(dated)
    earlier_days = [each for each in days if before is None or each < before]
    shown = earlier_days[-DAYS_A_PAGE:]
    later_days = days[len(earlier_days) :]
    is_newest = not later_days
    undated = [each for each in records if each.start_us is None] if is_newest else []
    groups = [Day("No date", tuple(_entry(each, units) for each in undated))]
    groups += [
        Day(day_text(day), tuple(_entry(each, units) for each in dated[day]))
        for day in shown
    ]
    if is_newest and so_far is not None:
        groups.append(Day("Now", (so_far,)))
    used = undated + [each for day in shown for each in dated[day]]
    last = used[-1] if used else None
    is_live = is_newest and bool(now)
    return LogPage(
        days=tuple(each for each in groups if each.entries),
        sums=_sums(used, units) if used else None,
        earlier=shown[0] if shown and shown[0] != days[0] else None,
        later=_end_of_next(later_days),
        has_later=bool(later_days),
        store=now if is_live else DASH if last is None else _end_text(last.trip),
        store_label="Store now" if is_live else "Store at the end",
        is_store_live=is_live,
    )


def _by_day(
    records: Iterable[TripRecord], units: Units
) -> dict[date, list[TripRecord]]:
    days: dict[date, list[TripRecord]] = {}
    for record in records:
        if record.start_us is not None:
            days.setdefault(units.day(record.start_us), []).append(record)
    return days


def _end_of_next(later_days: Sequence[date]) -> date | None:
    """Return the day before which the next page ends; None for the newest page."""
    beyond = later_days[DAYS_A_PAGE:]
    return beyond[0] if beyond else None


def _end_text(trip: Trip) -> str:
    if trip.soc_end_pct is None:
        return DASH
    return band_text(trip.soc_end_pct, trip.soc_low_end_pct, trip.soc_high_end_pct)


def _entry(record: TripRecord, units: Units) -> Entry:
    trip, start_us = record.trip, record.start_us
    return Entry(
        when="" if start_us is None else units.clock(start_us),
        name="Trip",
        url=record.url,
        way=units.distance_text(trip.distance_m),
        use=units.use_text(trip),
        into=kilowatt_hours(trip.energy_in_wh),
        out=kilowatt_hours(trip.energy_out_wh),
        store=percent(trip.soc_end_pct),
        detail=_detail(trip, units),
        length=span_text(trip.duration_s),
        notes=notes_of(record, units),
        is_clock_unsure=not record.run.is_start_sure,
    )


def _detail(trip: Trip, units: Units) -> str:
    parts = []
    if trip.distance_m is not None:
        parts.append(f"{units.distance_text(trip.distance_m)} {units.distance}")
    if units.use_of(trip) is not None:
        parts.append(f"{units.use_text(trip)} {units.use}")
    return ", ".join(parts)


def entry_so_far(
    trip: LiveTrip, start_us: int | None, units: Units, *, is_date_sure: bool = True
) -> Entry:
    """Return the entry of the trip under way; the store of now stands under it.

    Args:
        trip: The trip, so far.
        start_us: Its start, microseconds since the Unix epoch; None where undated.
        units: Zone and units of the van.
        is_date_sure: Whether that date is confirmed.
    """
    way, net_wh = units.distance_text(trip.distance_m), trip.energy_net_wh
    net = "" if net_wh is None else f"{kilowatt_hours(net_wh)} kWh net so far"
    return Entry(
        when="" if start_us is None else units.clock(start_us),
        name="Trip so far",
        url="",
        way=way,
        use="",
        into="",
        out="",
        store="",
        detail="" if trip.distance_m is None else f"{way} {units.distance}",
        length=net or "under way",
        notes=() if is_date_sure else (NOT_CONFIRMED,),
        is_clock_unsure=not is_date_sure,
    )


def notes_of(record: TripRecord, units: Units) -> tuple[str, ...]:
    """Return what a reader has to know against a trip's figures.

    Args:
        record: The trip.
        units: Zone and units of the van.
    """
    notes = []
    if record.trip.skipped_us >= LEAST_UNSEEN_US:
        stretches = unseen_of(record)
        span = stretches[0] if len(stretches) == 1 else None
        clock = _stretch_text(record, span, units)
        notes.append(clock or f"not seen {_skipped(record.trip)}")
    if record.start_us is None:
        notes.append("no date: the recording has none")
    elif not record.run.is_start_sure:
        notes.append(NOT_CONFIRMED)
    return tuple(notes)


def _skipped(trip: Trip) -> str:
    return span_text(trip.skipped_us / US_PER_S)


def _stretch_text(
    record: TripRecord, span: tuple[int, int] | None, units: Units
) -> str:
    """Return `no record 14:51 to 14:58`; empty where the clock cannot tell it apart."""
    if span is None or record.run.start_us is None:
        return ""
    ends = [units.clock(record.run.start_us + each) for each in span]
    return "" if ends[0] == ends[1] else f"no record {ends[0]} to {ends[1]}"


def unseen_of(record: TripRecord) -> list[tuple[int, int]]:
    """Return the stretches of a trip that current or way did not see, joined.

    Args:
        record: The trip.

    Returns:
        Start and end of each, microseconds since the run's zero, in order.
    """
    first, last = record.trip.start_us, record.trip.end_us
    spans = sorted(
        (max(first, gap.start_us), min(last, gap.end_us))
        for gap in record.gaps
        if gap.channel in LEADING and gap.start_us < last and gap.end_us > first
    )
    joined: list[tuple[int, int]] = []
    for start, end in spans:
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _sums(records: Sequence[TripRecord], units: Units) -> Sums:
    trips = [each.trip for each in records]
    way_m = [each.distance_m for each in trips]
    used_wh = [each.used_wh for each in trips if units.use_of(each) is not None]
    driven_m = sum(
        each.distance_m or 0.0 for each in trips if units.use_of(each) is not None
    )
    into = [each.energy_in_wh for each in trips]
    out = [each.energy_out_wh for each in trips]
    is_blind = any(each.skipped_us >= LEAST_UNSEEN_US for each in trips)
    is_short = None in (*way_m, *into, *out)
    return Sums(
        way=_printed_sum(way_m, units.way_m),
        use=number(sum(x or 0.0 for x in used_wh) * units.way_m / driven_m)
        if driven_m
        else DASH,
        into=_printed_sum(into, 1000.0),
        out=_printed_sum(out, 1000.0),
        is_at_least=is_blind or is_short,
    )


def _printed_sum(values: Sequence[float | None], unit: float) -> str:
    """Return the sum of figures as printed, with tenths; a dash where none is known."""
    tenths = [round(round(each / unit, 1) * 10) for each in values if each is not None]
    return number(sum(tenths) / 10, 1) if tenths else DASH


def title_of(record: TripRecord, units: Units) -> str:
    """Return the title of a trip's page: its date, or that it has none.

    Args:
        record: The trip.
        units: Zone and units of the van.
    """
    start_us = record.start_us
    return "Trip, no date" if start_us is None else date_text(units.day(start_us))
