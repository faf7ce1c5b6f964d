"""Where the van was: positions with a fix, and where their row breaks off."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.core.tick import GAP_FLOOR_US, US_PER_S, Cell, Tick
from logger.store.export.choice import Extract, Part
from logger.store.export.sheet import Column, Sheet, Value, stamp, whole
from logger.store.reader import RunRow

LATITUDE, LONGITUDE = "gps.latitude_deg", "gps.longitude_deg"
FIX = "gps.fix"

PLACE_COLUMNS = (
    stamp("t_utc"),
    Column("t_s", digits=6),
    whole("run"),
    whole("stretch"),
    Column("latitude_deg"),
    Column("longitude_deg"),
    Column("altitude_m"),
    Column("speed_mps"),
    Column("track_deg"),
    Column("satellites_count"),
    Column("dilution_ratio"),
)


@dataclass(frozen=True, slots=True)
class Place:
    """One position.

    Attributes:
        run: The run.
        t_us: When, microseconds since the run's zero.
        stretch: Number of the unbroken row of positions that it belongs to, from 1.
        latitude_deg: Degrees north.
        longitude_deg: Degrees east.
        altitude_m: Above sea level, m.
        speed_mps: Over ground, m/s.
        track_deg: Clockwise from north.
        satellites_count: Satellites used.
        dilution_ratio: Horizontal dilution of precision.
    """

    run: RunRow
    t_us: int
    stretch: int
    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None
    speed_mps: float | None
    track_deg: float | None
    satellites_count: float | None
    dilution_ratio: float | None


def places(extract: Extract) -> Iterator[Place]:
    """Yield the positions of an extract that had a fix, run by run."""
    for part in extract.each():
        yield from _places(extract, part)


def _places(extract: Extract, part: Part) -> Iterator[Place]:
    log, run = extract.log, part.run
    gaps = [g for g in log.gaps(run.id) if g.channel in (LATITUDE, LONGITUDE)]
    ends_us = sorted(gap.end_us for gap in gaps)
    watch = _FixWatch()
    stretch, newest_us, is_broken, passed = 1, None, False, 0
    for tick in log.ticks(run.id, *part.of_length(US_PER_S)):
        extract.reached(part, tick.last_us)
        latitude, longitude = tick.cells.get(LATITUDE), tick.cells.get(LONGITUDE)
        has_fix = watch.has_fix(tick)
        if latitude is None or longitude is None or not part.holds(tick.last_us):
            continue
        while passed < len(ends_us) and ends_us[passed] <= tick.last_us:
            passed, is_broken = passed + 1, True
        if not has_fix:
            is_broken = True
            continue
        stretch += is_broken and newest_us is not None
        newest_us, is_broken = tick.last_us, False
        yield _place(run, tick, stretch, latitude, longitude)


def _place(
    run: RunRow, tick: Tick, stretch: int, latitude: Cell, longitude: Cell
) -> Place:
    def last(channel: str) -> float | None:
        cell = tick.cells.get(channel)
        return None if cell is None else cell.last

    return Place(
        run=run,
        t_us=tick.last_us,
        stretch=stretch,
        latitude_deg=latitude.last,
        longitude_deg=longitude.last,
        altitude_m=last("gps.altitude_m"),
        speed_mps=last("gps.speed_mps"),
        track_deg=last("gps.track_deg"),
        satellites_count=last("gps.satellites_count"),
        dilution_ratio=last("gps.dilution_ratio"),
    )


@dataclass(slots=True)
class _FixWatch:
    """Whether the receiver says that it has a fix; one that never says it, has one."""

    _fix: float | None = None
    _since_us: int = 0

    def has_fix(self, tick: Tick) -> bool:
        """Take the next second; return whether its position is one."""
        cell = tick.cells.get(FIX)
        if cell is not None:
            self._fix, self._since_us = cell.low, tick.last_us
        if self._fix is None:
            return True
        return self._fix >= 1 and tick.last_us - self._since_us <= GAP_FLOOR_US


def place_table(extract: Extract) -> Sheet:
    """Return one row a position."""
    return Sheet(PLACE_COLUMNS, map(_row, places(extract)))


def _row(place: Place) -> Sequence[Value]:
    return (
        place.run.date_us(place.t_us),
        place.run.stamp_s(place.t_us),
        place.run.id,
        place.stretch,
        place.latitude_deg,
        place.longitude_deg,
        place.altitude_m,
        place.speed_mps,
        place.track_deg,
        place.satellites_count,
        place.dilution_ratio,
    )
