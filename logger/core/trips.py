"""Trips: where one begins and ends, and what it came to.

With a key channel a trip lasts from key on to key off. Without one a recording is one
trip from its first to its last row. Sums are those of the ledger's accounts; what was
not measured is None, never 0.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from logger.core.ledger import Tally, Total, sum_hours
from logger.core.soc import Band
from logger.core.tick import US_PER_S, Tick

METRES_PER_MILE = 1609.344
"""International mile."""

SHORTEST_WAY_M = 100.0
"""Below this a consumption per mile is a quotient of two noises."""

KEY_CHANNELS = ("key.on", "drive.ready")
"""The channels that tell a trip, the first one that the van has."""


@dataclass(frozen=True, slots=True)
class Trip:
    """What one trip came to; times in microseconds since the run's zero.

    Attributes:
        start_us: First sample.
        end_us: Last sample.
        skipped_us: Time within that the leading account did not see.
        distance_m: Way, m.
        energy_out_wh: Energy that left the pack, Wh, at least 0.
        energy_in_wh: Energy that entered the pack, Wh, at least 0.
        charge_net_ah: Charge into the pack, Ah; negative on a drive.
        sun_wh: Energy of all solar strings, Wh.
        shore_wh: Energy of all chargers into the van's DC side, Wh.
        soc_start_pct: State of charge at the start, %.
        soc_end_pct: State of charge at the end, %.
        soc_low_end_pct: Low end of its 95 % band, %.
        soc_high_end_pct: High end of its 95 % band, %.
        soc_counted_change_pct: Change of the bare count, points.
    """

    start_us: int
    end_us: int
    skipped_us: int
    distance_m: float | None
    energy_out_wh: float | None
    energy_in_wh: float | None
    charge_net_ah: float | None
    sun_wh: float | None
    shore_wh: float | None
    soc_start_pct: float | None
    soc_end_pct: float | None
    soc_low_end_pct: float | None
    soc_high_end_pct: float | None
    soc_counted_change_pct: float | None

    @property
    def duration_s(self) -> float:
        """From the first to the last sample, s."""
        return (self.end_us - self.start_us) / US_PER_S

    @property
    def energy_net_wh(self) -> float | None:
        """What the pack lost: out less in, Wh."""
        if self.energy_out_wh is None or self.energy_in_wh is None:
            return None
        return self.energy_out_wh - self.energy_in_wh

    @property
    def used_wh(self) -> float | None:
        """What road and house took: net plus sun plus shore while driving, Wh."""
        net_wh = self.energy_net_wh
        if net_wh is None:
            return None
        return net_wh + (self.sun_wh or 0.0) + (self.shore_wh or 0.0)

    @property
    def wh_per_km(self) -> float | None:
        """Consumption, Wh/km; None where the way is too short to say."""
        return self._used_per(1000.0)

    @property
    def wh_per_mi(self) -> float | None:
        """Consumption, Wh/mile; None where the way is too short to say."""
        return self._used_per(METRES_PER_MILE)

    def _used_per(self, way_m: float) -> float | None:
        used_wh, distance_m = self.used_wh, self.distance_m
        if used_wh is None or distance_m is None or distance_m < SHORTEST_WAY_M:
            return None
        return used_wh * way_m / distance_m


@dataclass(slots=True)
class TripFold:
    """Finds trips in ticks; is fed and answers.

    Args:
        key_channel: The channel that tells a trip, or None where there is none.
    """

    key_channel: str | None
    _is_under_way: bool = False
    _tally: Tally = field(default_factory=Tally)
    _first_us: int = 0
    _last_us: int = 0
    _start: Band | None = None
    _end: Band | None = None
    _counted_start_pct: float = 0.0
    _counted_end_pct: float = 0.0
    _has_count: bool = False

    def add(
        self,
        tick: Tick,
        before: Band | None,
        after: Band | None,
        moved_pct: tuple[float, float] | None,
    ) -> Trip | None:
        """Take the next tick; return the trip that it brought to an end, if any.

        Args:
            tick: The tick.
            before: State of charge before it.
            after: State of charge after it.
            moved_pct: How far the bare count had moved since the start of the run
                before and after it, %; None where there is no count.
        """
        is_on = self._is_on(tick)
        if not is_on and not self._is_under_way:
            return None
        if not self._is_under_way:
            self._begin(tick, before, moved_pct)
        self._tally.add(self._within(tick))
        self._last_us = tick.last_us
        self._end = after
        if moved_pct is not None:
            self._counted_end_pct = moved_pct[1]
        return None if is_on else self.finish()

    def _is_on(self, tick: Tick) -> bool:
        if self.key_channel is None:
            return True
        cell = tick.cells.get(self.key_channel)
        return self._is_under_way if cell is None else cell.last >= 1

    def _begin(
        self, tick: Tick, before: Band | None, moved_pct: tuple[float, float] | None
    ) -> None:
        self._is_under_way = True
        self._tally = Tally()
        self._first_us = tick.first_us
        self._start = before
        self._has_count = moved_pct is not None
        if moved_pct is not None:
            self._counted_start_pct = moved_pct[0]

    def _within(self, tick: Tick) -> Tick:
        # A van that was parked in silence ends its gap in the first seconds of the
        # next trip; the night is no part of that trip.
        if not tick.gaps:
            return tick
        gaps = (
            replace(gap, start_us=max(gap.start_us, min(self._first_us, gap.end_us)))
            for gap in tick.gaps
        )
        return replace(tick, gaps=tuple(gaps))

    def finish(self) -> Trip | None:
        """Return the trip under way, if there is one, and wait for the next."""
        if not self._is_under_way:
            return None
        self._is_under_way = False
        totals = self._tally.totals
        start, end = self._start, self._end
        change_pct = self._counted_end_pct - self._counted_start_pct
        return Trip(
            start_us=self._first_us,
            end_us=self._last_us,
            skipped_us=skipped_us(totals),
            distance_m=_integral(totals, "road.speed_mps"),
            energy_out_wh=sum_hours(totals, "pack.discharging_power_w"),
            energy_in_wh=sum_hours(totals, "pack.charging_power_w"),
            charge_net_ah=sum_hours(totals, "pack.current_a"),
            sun_wh=sum_hours(totals, "sun.<name>.power_w"),
            shore_wh=sum_hours(totals, "charger.<name>.dc_power_w"),
            soc_start_pct=None if start is None else start.soc_pct,
            soc_end_pct=None if end is None else end.soc_pct,
            soc_low_end_pct=None if end is None else end.low_pct,
            soc_high_end_pct=None if end is None else end.high_pct,
            soc_counted_change_pct=change_pct if self._has_count else None,
        )


def skipped_us(totals: Mapping[str, Total]) -> int:
    """Return the time that the worst of way and charge did not see, microseconds."""
    leading = ("pack.current_a", "road.speed_mps")
    return max(
        (totals[name].skipped_us for name in leading if name in totals), default=0
    )


def _integral(totals: Mapping[str, Total], channel: str) -> float | None:
    total = totals.get(channel)
    return None if total is None else total.integral
