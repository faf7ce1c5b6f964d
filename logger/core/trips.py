"""Trips: where one begins and ends, and what it came to.

With a key channel a trip lasts from key on to key off. Without one, or where it is
never heard, a recording is one trip from its first to its last row. Sums are those of
the ledger's accounts; what was not measured is None, never 0.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from logger.core.ledger import Tally, Total, sum_hours
from logger.core.soc import NO_STANDING, Standing
from logger.core.tick import US_PER_S, Gap, Tick

METRES_PER_MILE = 1609.344
"""International mile."""

SHORTEST_WAY_M = 100.0
"""Below this a consumption per mile is a quotient of two noises."""

KEY_SILENCE_US = 600 * US_PER_S
"""A key unheard for ten minutes was turned off while its bus fell asleep; a bus that
only stumbles is back by then."""

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

    A key that has not been heard yet may have been on: the run begins with a trip,
    which is taken back if the key then turns out to be off. A key that falls silent for
    too long was turned off unheard.

    Args:
        key_channel: The channel that tells a trip, or None where there is none.
        key_silence_us: How long that channel may be silent during a trip.
    """

    key_channel: str | None
    key_silence_us: int = KEY_SILENCE_US
    _key_us: int | None = None
    _is_under_way: bool = False
    _tally: Tally = field(default_factory=Tally)
    _first_us: int = 0
    _last_us: int = 0
    _start: Standing = NO_STANDING
    _end: Standing = NO_STANDING
    _silent: Sequence[Gap] = ()

    def add(
        self,
        tick: Tick,
        before: Standing,
        after: Standing,
        silent: Sequence[Gap] = (),
    ) -> list[Trip]:
        """Take the next tick; return the trips that it brought to an end.

        Args:
            tick: The tick.
            before: How the count stood before it.
            after: How the count stands after it.
            silent: Gaps of any channel that are still under way.
        """
        ended: list[Trip] = []
        if self._is_under_way and self._was_left(tick.first_us):
            ended += self.finish()
        is_on = self._is_on(tick)
        if not is_on and not self._is_under_way:
            return ended
        if not self._is_under_way:
            self._begin(tick, before)
        self._tally.add(self._within(tick))
        self._last_us = tick.last_us
        self._end = after
        self._silent = silent
        return ended if is_on else ended + self.finish()

    @property
    def is_certain(self) -> bool:
        """False while a trip was only assumed, because its key was not heard yet."""
        return self.key_channel is None or self._key_us is not None

    def pass_time(self, now_us: int) -> list[Trip]:
        """Return the trip under way if its key has been silent for too long by now."""
        if self._is_under_way and self._was_left(now_us):
            return self.finish()
        return []

    def _was_left(self, now_us: int) -> bool:
        """Return whether the trip under way had ended before some moment."""
        if self._key_us is None:
            return False
        return now_us - self._key_us > self.key_silence_us

    def _is_on(self, tick: Tick) -> bool:
        if self.key_channel is None:
            return True
        cell = tick.cells.get(self.key_channel)
        if cell is None:
            return self._is_under_way or self._key_us is None
        if self._key_us is None:
            # What was taken for a trip was none, or was too long ago to say.
            is_recent = tick.first_us - self._first_us <= self.key_silence_us
            self._is_under_way &= cell.last >= 1 and is_recent
        self._key_us = tick.last_us
        return cell.last >= 1

    def _begin(self, tick: Tick, before: Standing) -> None:
        self._is_under_way = True
        self._tally = Tally()
        self._first_us = tick.first_us
        self._start = before

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

    def finish(self) -> list[Trip]:
        """Return the trip under way, if there is one, and wait for the next."""
        trip = self.so_far()
        self._is_under_way = False
        return [] if trip is None else [trip]

    def so_far(self) -> Trip | None:
        """Return what the trip under way has come to; None while there is none."""
        if not self._is_under_way:
            return None
        # A sensor that died within the trip was not seen to its end.
        tail = Tick(0, self._first_us, self._last_us, {}, tuple(self._silent))
        totals = self._tally.totals_with(self._within(tail))
        start, end = self._start, self._end
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
            soc_start_pct=None if start.band is None else start.band.soc_pct,
            soc_end_pct=None if end.band is None else end.band.soc_pct,
            soc_low_end_pct=None if end.band is None else end.band.low_pct,
            soc_high_end_pct=None if end.band is None else end.band.high_pct,
            soc_counted_change_pct=None
            if start.moved_pct is None or end.moved_pct is None
            else end.moved_pct - start.moved_pct,
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
