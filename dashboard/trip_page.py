"""One trip's page, as ready-made words and figures.

Pure: a stored trip and its series in, what the page shows out. The account adds up as
printed: each item is rounded, and sums are those of the printed items.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboard import figures
from dashboard.buckets import Column, Grid
from dashboard.figures import Panel, Tick
from dashboard.logbook import TripRecord, notes_of, title_of, unseen_of
from dashboard.wording import DASH, NBSP, Units, band_text, number, percent, span_text
from logger.core.tick import SECONDS_PER_HOUR, US_PER_S
from logger.core.trips import Trip

CHANNELS = (
    "pack.power_w",
    "pack.soc_pct",
    "pack.soc_low_pct",
    "pack.soc_high_pct",
    "road.speed_mps",
)
"""What the panels are drawn from."""

POINTS = 240
"""Buckets of a panel: a phone's panel is about 320 px wide."""

TABLE_ROWS = 30
"""Rows of the table behind `Show as table`, at most."""

FINE_BELOW_WH = 10_000.0
"""Below this the account has hundredths of a kWh, from here on tenths."""

BRIEF_S = 300.0
"""A trip shorter than this has seconds on its time axis."""


@dataclass(frozen=True, slots=True)
class AccountRow:
    """One row of the account, kWh.

    Attributes:
        name: What it is.
        item: Figure of the inner column.
        total: Figure of the outer column.
        is_in: True for what came in.
        kind: `sub` for an item, `cast` for the last one before a sum, `sum`, or empty.
    """

    name: str
    item: str = ""
    total: str = ""
    is_in: bool = False
    kind: str = ""


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row of the table of the panels."""

    when: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TripView:
    """What a trip's page shows.

    Attributes:
        folio: Its number in the book.
        title: Its date.
        under: The quiet line: times, distance, length.
        use: Consumption without unit.
        use_unit: That unit.
        finding: The answer in a sentence.
        notes: What stands against it.
        is_clock_unsure: True where its date may be wrong.
        panels: What was measured over time.
        clocks: The one time axis.
        zone: What the clock times are told in.
        unseen: What was not seen, in words; empty where all was.
        head: Heads of the table's columns.
        table: The panels as a table.
        account: The account, kWh.
        charges: Charge before and after, with the times.
    """

    folio: str
    title: str
    under: str
    use: str
    use_unit: str
    finding: str
    notes: tuple[str, ...]
    is_clock_unsure: bool
    panels: tuple[Panel, ...]
    clocks: tuple[Tick, ...]
    zone: str
    unseen: str
    head: tuple[str, ...]
    table: tuple[TableRow, ...]
    account: tuple[AccountRow, ...]
    charges: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Times:
    """Writes times of one run: by the van's clock, or from the start where undated."""

    record: TripRecord
    units: Units

    def text(self, run_s: float) -> str:
        """Write a time.

        Args:
            run_s: Seconds since the run's zero.
        """
        zero_us, trip = self.record.run.start_us, self.record.trip
        if zero_us is None:
            return span_text(max(0.0, run_s - trip.start_us / US_PER_S))
        date_us = zero_us + int(run_s * US_PER_S)
        is_brief = trip.duration_s < BRIEF_S
        return self.units.clock_s(date_us) if is_brief else self.units.clock(date_us)


def trip_view(
    record: TripRecord, units: Units, columns: Mapping[str, Column], over: Grid
) -> TripView:
    """Return what a trip's page shows.

    Args:
        record: The trip.
        units: Zone and units of the van.
        columns: The series by channel name; a channel that was never heard is absent.
        over: The buckets that they are in.
    """
    trip, times = record.trip, Times(record, units)
    series = _series(columns, units)
    return TripView(
        folio=record.folio,
        title=title_of(record, units),
        under=_under(trip, times),
        use=units.use_text(trip),
        use_unit=units.use,
        finding=_finding(trip, units),
        notes=notes_of(record, units),
        is_clock_unsure=not record.run.is_start_sure,
        panels=tuple(_panel(each, over, times) for each in series),
        clocks=figures.clock_ticks(over, times.text),
        zone=units.zone_name if record.run.start_us is not None else "",
        unseen=_unseen(record, times),
        head=tuple(each.head for each in series),
        table=_table(series, over, times),
        account=account_of(trip),
        charges=_charges(trip, times),
    )


def _under(trip: Trip, times: Times) -> str:
    start, end = (times.text(each / US_PER_S) for each in (trip.start_us, trip.end_us))
    parts = [] if times.record.run.start_us is None else [f"{start} to {end}"]
    if trip.distance_m is not None:
        units = times.units
        parts.append(f"{units.distance_text(trip.distance_m)}{NBSP}{units.distance}")
    return ", ".join([*parts, span_text(trip.duration_s)])


def _finding(trip: Trip, units: Units) -> str:
    used_wh, distance_m = trip.used_wh, trip.distance_m
    if used_wh is None:
        return "What it took was not measured."
    took = f"Road and house took {number(used_wh / 1000, _decimals(trip))}{NBSP}kWh"
    if distance_m is None:
        return f"{took}; the way was not measured."
    way = f"{units.distance_text(distance_m)}{NBSP}{units.distance}"
    if units.use_of(trip) is None:
        return f"{took} over {way}, too short a way to tell a consumption."
    if not trip.sun_wh and not trip.shore_wh:
        return f"{took} over {way}."
    own = (trip.energy_net_wh or 0.0) * units.way_m / distance_m
    return (
        f"{took} over {way}. What the pack gave for it was"
        f" {number(own)}{NBSP}{units.use}."
    )


def _decimals(trip: Trip) -> int:
    return 2 if (trip.energy_out_wh or 0.0) < FINE_BELOW_WH else 1


def account_of(trip: Trip) -> tuple[AccountRow, ...]:
    """Return the account of a trip: out, back in, sun, shore, and what was used.

    Args:
        trip: The trip. What was not measured has no line, or a dash.
    """
    decimals = _decimals(trip)

    def rounded(energy_wh: float | None) -> float | None:
        return None if energy_wh is None else round(energy_wh / 1000.0, decimals)

    def text(energy_kwh: float | None) -> str:
        return DASH if energy_kwh is None else number(energy_kwh, decimals)

    def minus(energy_kwh: float | None) -> str:
        return DASH if energy_kwh is None else number(-energy_kwh, decimals)

    out, back = rounded(trip.energy_out_wh), rounded(trip.energy_in_wh)
    given = None if out is None or back is None else out - back
    rows = [
        AccountRow("Out of the pack", text(out), kind="sub"),
        AccountRow("Back into the pack", minus(back), is_in=True, kind="cast"),
        AccountRow("From the pack", total=text(given)),
    ]
    added = [("Sun", rounded(trip.sun_wh)), ("Shore", rounded(trip.shore_wh))]
    known = [(name, value) for name, value in added if value is not None]
    rows += [AccountRow(name, total=text(x), is_in=True) for name, x in known]
    used = None if given is None else given + sum(value for _, value in known)
    rows.append(AccountRow("Used by road and house", total=text(used), kind="sum"))
    return tuple(rows)


def _charges(trip: Trip, times: Times) -> tuple[tuple[str, str], ...]:
    start, end = (times.text(each / US_PER_S) for each in (trip.start_us, trip.end_us))
    if trip.soc_end_pct is None:
        return ()
    after = band_text(trip.soc_end_pct, trip.soc_low_end_pct, trip.soc_high_end_pct)
    before = percent(trip.soc_start_pct)
    return (f"Charge at {start}", before), (f"Charge at {end}", after)


def _unseen(record: TripRecord, times: Times) -> str:
    spans = unseen_of(record)
    told = [
        f"{times.text(a / US_PER_S)} to {times.text(b / US_PER_S)}" for a, b in spans
    ]
    if not told:
        return ""
    more = f" and {len(told) - 2} more" if len(told) > 3 else ""
    first = told[:2] if more else told
    return f"Hatched: no readings {', '.join(first)}{more}."


@dataclass(frozen=True, slots=True)
class _Series:
    """One quantity as it is shown: in its unit, with its scale."""

    name: str
    unit: str
    head: str
    size: str
    column: Column
    scale: figures.Scale
    decimals: int = 0


def _series(columns: Mapping[str, Column], units: Units) -> list[_Series]:
    found = [
        _power(columns.get("pack.power_w")),
        _charge(columns),
        _speed(columns.get("road.speed_mps"), units),
    ]
    return [each for each in found if each is not None]


def _power(column: Column | None) -> _Series | None:
    if column is None:
        return None
    kw = figures.converted(column, -0.001)  # out of the pack is drawn upward
    scale = figures.scale_of(_known(kw.low) + _known(kw.high), least=4.0)
    unit = "kW; above the rule out, below it back in"
    return _Series("Power", unit, "kW out", "tall", kw, scale, 1)


def _charge(columns: Mapping[str, Column]) -> _Series | None:
    soc = columns.get("pack.soc_pct")
    if soc is None:
        return None
    low, high = columns.get("pack.soc_low_pct"), columns.get("pack.soc_high_pct")
    banded = Column((low or soc).mean, soc.mean, (high or soc).mean)
    unit = "%; band is what the count may be off"
    return _Series("Charge", unit, "%", "", banded, figures.WHOLE_CHARGE)


def _speed(column: Column | None, units: Units) -> _Series | None:
    if column is None:
        return None
    shown = figures.converted(column, SECONDS_PER_HOUR / units.way_m)
    scale = figures.scale_of(_known(shown.high), least=20.0)
    return _Series("Speed", units.speed, units.speed, "low", shown, scale)


def _known(values: Sequence[float | None]) -> list[float]:
    return [each for each in values if each is not None]


def _panel(series: _Series, over: Grid, times: Times) -> Panel:
    column, scale = series.column, series.scale
    return Panel(
        name=series.name,
        unit=series.unit,
        label=_label(series, over, times),
        size=series.size,
        ticks=figures.ticks_of(scale),
        bands=figures.bands_of(column, scale),
        lines=figures.lines_of(column, scale),
        hatches=figures.hatches_of(column),
        zero_pct=round(scale.at(0.0), 2) if series.name == "Power" else None,
    )


def _label(series: _Series, over: Grid, times: Times) -> str:
    means = _known(series.column.mean)
    if not means:
        return f"{series.name}: no readings"
    if series.name == "Charge":
        told = f"from {number(means[0])} to {number(means[-1])} percent"
    else:
        told = _span_label(series, over, times, means)
    hatched = figures.gaps(series.column)
    ends = [(over.starts_s[gap.start], len(gap) * over.step_s) for gap in hatched]
    long = [each for each in ends if each[1] >= 2 * over.step_s]
    blind = [f"{times.text(at)} to {times.text(at + width)}" for at, width in long[:3]]
    tail = f"; no readings {', '.join(blind)}" if blind else ""
    return f"{series.name} {told}{tail}"


def _span_label(
    series: _Series, over: Grid, times: Times, means: Sequence[float]
) -> str:
    highs = [x if x is not None else float("-inf") for x in series.column.high]
    top = max(range(len(highs)), key=highs.__getitem__)
    when = times.text(over.starts_s[top])
    mean = number(sum(means) / len(means), series.decimals)
    peak = number(highs[top], series.decimals)
    if series.name != "Power":
        return f"{mean} {series.unit} on average, highest {peak} at {when}"
    low = min(_known(series.column.low))
    back = f", up to {number(-low, series.decimals)} back in" if low < 0 else ""
    return f"{mean} kW out on average, highest {peak} at {when}{back}"


def _table(series: Sequence[_Series], over: Grid, times: Times) -> tuple[TableRow, ...]:
    if not series:
        return ()
    columns = [figures.thinned(each.column, TABLE_ROWS) for each in series]
    width = -(-over.count // TABLE_ROWS)
    starts = over.starts_s[::width]
    rows = []
    for place, start_s in enumerate(starts):
        cells = tuple(
            DASH
            if column[place] is None
            else number(column[place] or 0.0, each.decimals)
            for column, each in zip(columns, series, strict=True)
        )
        rows.append(TableRow(times.text(start_s), cells))
    return tuple(rows)
