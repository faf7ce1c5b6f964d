"""Tables that are rows of the log: trips, state of charge, signals."""

from collections.abc import Iterator, Sequence

from logger.core.tick import US_PER_S, Cell, Tick
from logger.core.trips import Trip
from logger.quantities import find_channel
from logger.store.export.choice import Extract, Part
from logger.store.export.sheet import Column, Sheet, Value, stamp, text, whole
from logger.store.reader import RunRow

TRIP_COLUMNS = (
    whole("run"),
    stamp("start_utc"),
    stamp("end_utc"),
    Column("duration_s", digits=3),
    Column("skipped_s", digits=3),
    Column("distance_m", digits=2),
    Column("energy_out_wh", digits=3),
    Column("energy_in_wh", digits=3),
    Column("energy_net_wh", digits=3),
    Column("used_wh", digits=3),
    Column("wh_per_km", digits=2),
    Column("wh_per_mi", digits=2),
    Column("charge_net_ah", digits=6),
    Column("soc_start_pct", digits=3),
    Column("soc_end_pct", digits=3),
    Column("soc_low_end_pct", digits=3),
    Column("soc_high_end_pct", digits=3),
    Column("soc_counted_change_pct", digits=4),
    Column("sun_wh", digits=3),
    Column("shore_wh", digits=3),
)
SOC_COLUMNS = (
    stamp("t_utc"),
    Column("t_s", digits=6),
    Column("soc_pct", digits=4),
    Column("soc_low_pct", digits=4),
    Column("soc_high_pct", digits=4),
    Column("soc_counted_pct", digits=4),
)
SIGNAL_COLUMNS = (
    stamp("t_utc"),
    Column("t_s", digits=6),
    whole("run"),
    text("channel"),
    text("unit"),
    whole("n"),
    Column("min"),
    Column("max"),
    Column("mean"),
    Column("last"),
)
_SOC_CHANNELS = tuple(f"pack.{column.name}" for column in SOC_COLUMNS[2:])


def trips(extract: Extract) -> Sheet:
    """Return one row a trip; a trip is in the range that it begins in."""
    rows = (
        _trip(part.run, trip)
        for part in extract.each()
        for trip in extract.log.trips(part.run.id)
        if part.holds(trip.start_us)
    )
    return Sheet(TRIP_COLUMNS, rows)


def _trip(run: RunRow, trip: Trip) -> Sequence[Value]:
    return (
        run.id,
        run.date_us(trip.start_us),
        run.date_us(trip.end_us),
        trip.duration_s,
        trip.skipped_us / US_PER_S,
        trip.distance_m,
        trip.energy_out_wh,
        trip.energy_in_wh,
        trip.energy_net_wh,
        trip.used_wh,
        trip.wh_per_km,
        trip.wh_per_mi,
        trip.charge_net_ah,
        trip.soc_start_pct,
        trip.soc_end_pct,
        trip.soc_low_end_pct,
        trip.soc_high_end_pct,
        trip.soc_counted_change_pct,
        trip.sun_wh,
        trip.shore_wh,
    )


def ticks(extract: Extract) -> Iterator[tuple[Part, Tick]]:
    """Yield the seconds of an extract whose newest sample is in it."""
    for part in extract.each():
        for tick in extract.log.ticks(part.run.id, *part.of_length(US_PER_S)):
            extract.reached(part, tick.last_us)
            if part.holds(tick.last_us):
                yield part, tick


def soc(extract: Extract) -> Sheet:
    """Return one row a second with a new count."""

    def rows() -> Iterator[Sequence[Value]]:
        for part, tick in ticks(extract):
            cells = [tick.cells.get(name) for name in _SOC_CHANNELS]
            if any(cells):
                known = (None if cell is None else cell.last for cell in cells)
                yield (*_when(part, tick), *known)

    return Sheet(SOC_COLUMNS, rows())


def signals(extract: Extract) -> Sheet:
    """Return one row a channel and second."""

    def rows() -> Iterator[Sequence[Value]]:
        for part, tick in ticks(extract):
            when = _when(part, tick)
            for name in extract.channels or sorted(tick.cells):
                cell = tick.cells.get(name)
                if cell is not None:
                    yield (*when, part.run.id, *_cell(name, cell))

    return Sheet(SIGNAL_COLUMNS, rows())


def _when(part: Part, tick: Tick) -> tuple[int | None, float]:
    return part.run.date_us(tick.last_us), part.run.stamp_s(tick.last_us)


def _cell(name: str, cell: Cell) -> Sequence[Value]:
    found = find_channel(name)
    unit = found.quantity.unit.symbol if found else ""
    return (name, unit, cell.n, cell.low, cell.high, cell.mean, cell.last)
