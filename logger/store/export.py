"""What leaves a log as columns: trips, state of charge, signals.

The headers are part of the program's interface. Values that are not known are left
empty; a number is printed with the digits that mean something, never in exponents.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from logger.core.tick import US_PER_S, Cell
from logger.core.trips import Trip
from logger.quantities import find_channel
from logger.store.reader import Log, RunRow, iso_utc

Value = str | int | float | None


class What(Enum):
    """What can be exported."""

    TRIPS = "trips"
    SOC = "soc"
    SIGNALS = "signals"


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of equal length under one header."""

    header: tuple[str, ...]
    rows: Iterator[Sequence[str]]


DIGITS: Mapping[str, int] = {
    "duration_s": 3,
    "skipped_s": 3,
    "t_s": 6,
    "distance_m": 2,
    "energy_out_wh": 3,
    "energy_in_wh": 3,
    "energy_net_wh": 3,
    "used_wh": 3,
    "sun_wh": 3,
    "wh_per_km": 2,
    "wh_per_mi": 2,
    "charge_net_ah": 6,
    "soc_start_pct": 3,
    "soc_end_pct": 3,
    "soc_low_end_pct": 3,
    "soc_high_end_pct": 3,
    "soc_counted_change_pct": 4,
    "soc_pct": 4,
    "soc_low_pct": 4,
    "soc_high_pct": 4,
    "soc_counted_pct": 4,
}
"""Decimals of a column; every other number is printed in full."""

TRIP_HEADER = (
    "run",
    "start_utc",
    "end_utc",
    "duration_s",
    "skipped_s",
    "distance_m",
    "energy_out_wh",
    "energy_in_wh",
    "energy_net_wh",
    "used_wh",
    "wh_per_km",
    "wh_per_mi",
    "charge_net_ah",
    "soc_start_pct",
    "soc_end_pct",
    "soc_low_end_pct",
    "soc_high_end_pct",
    "soc_counted_change_pct",
    "sun_wh",
)
SOC_HEADER = (
    "t_utc",
    "t_s",
    "soc_pct",
    "soc_low_pct",
    "soc_high_pct",
    "soc_counted_pct",
)
SIGNAL_HEADER = (
    "t_utc",
    "t_s",
    "run",
    "channel",
    "unit",
    "n",
    "min",
    "max",
    "mean",
    "last",
)


def sheet(log: Log, what: What, channels: Sequence[str] = ()) -> Sheet:
    """Return one kind of export, row by row.

    Args:
        log: The log.
        what: What to export.
        channels: For signals: only these channels; none means all.
    """
    header, rows = _MAKERS[what](log, channels)
    text = (tuple(map(_text, header, row)) for row in rows)
    return Sheet(header, text)


def _text(column: str, value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        digits = DIGITS.get(column)
        return f"{value:.{digits}f}" if digits is not None else f"{value:.15g}"
    return str(value)


Made = tuple[tuple[str, ...], Iterator[Sequence[Value]]]


def _trips(log: Log, channels: Sequence[str]) -> Made:
    del channels
    rows = (_trip(run, trip) for run in _runs(log) for trip in log.trips(run.id))
    return TRIP_HEADER, rows


def _runs(log: Log) -> list[RunRow]:
    return [run for run in log.runs() if not run.is_stopped_replay]


def _trip(run: RunRow, trip: Trip) -> Sequence[Value]:
    return (
        run.id,
        iso_utc(run.date_us(trip.start_us)),
        iso_utc(run.date_us(trip.end_us)),
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
    )


def _soc(log: Log, channels: Sequence[str]) -> Made:
    del channels
    names = [f"pack.{column}" for column in SOC_HEADER[2:]]

    def rows() -> Iterator[Sequence[Value]]:
        for run in _runs(log):
            for tick in log.ticks(run.id):
                cells = [tick.cells.get(name) for name in names]
                known = [cell.last for cell in cells if cell is not None]
                if known:
                    yield (
                        iso_utc(run.date_us(tick.last_us)),
                        run.stamp_s(tick.last_us),
                        *known,
                    )

    return SOC_HEADER, rows()


def _signals(log: Log, channels: Sequence[str]) -> Made:
    def rows() -> Iterator[Sequence[Value]]:
        for run in _runs(log):
            for tick in log.ticks(run.id):
                when = (iso_utc(run.date_us(tick.last_us)), run.stamp_s(tick.last_us))
                for name in channels or sorted(tick.cells):
                    cell = tick.cells.get(name)
                    if cell is not None:
                        yield (*when, run.id, *_cell(name, cell))

    return SIGNAL_HEADER, rows()


def _cell(name: str, cell: Cell) -> Sequence[Value]:
    found = find_channel(name)
    unit = found.quantity.unit.symbol if found else ""
    return (name, unit, cell.n, cell.low, cell.high, cell.mean, cell.last)


_MAKERS: Mapping[What, Callable[[Log, Sequence[str]], Made]] = {
    What.TRIPS: _trips,
    What.SOC: _soc,
    What.SIGNALS: _signals,
}
