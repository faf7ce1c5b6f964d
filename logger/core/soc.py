"""State of charge: the bare count, and how far off it may be by now.

This first form has no anchors yet: the estimate is the count, and its band is what the
start, the capacity, the current sensor's zero and unseen time may have cost. The bare
count is never corrected and never held within 0 to 100: what runs over is information
about capacity and sensor. What a person reads is held.

The error figures are design judgement for salvaged packs, from a study on simulated
runs; they have no published source.
"""

import math
from dataclasses import dataclass, replace

from logger.core.tick import SECONDS_PER_HOUR

ZERO_OFFSET_SIGMA_A = 0.15
"""Spread of the current sensor's zero over all vans, before anything is learned."""

UNSEEN_SIGMA_PCT_PER_H = 12.0
"""A fair guess at what flows in an hour that nobody saw."""

MEASURED_CAPACITY_SIGMA_FRAC = 0.02
"""Spread of a capacity that was measured on this pack."""

NAMEPLATE_CAPACITY_SIGMA_FRAC = 0.09
"""Spread of the capacity of salvaged cells around NAMEPLATE_SHARE_FRAC."""

NAMEPLATE_SHARE_FRAC = 0.95
"""What is left of a nameplate, before anything is learned."""

BAND_FLOOR_PCT = 0.4
"""No band is narrower than this each way: rounding, wiring, the model itself."""

TWO_SIDED_95 = 1.96
"""Standard deviations each way that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class PackSpec:
    """What the count has to know of the pack.

    Attributes:
        capacity_ah: Usable capacity, Ah, above 0.
        capacity_sigma_frac: One standard deviation of it, as a share of it.
    """

    capacity_ah: float
    capacity_sigma_frac: float

    @classmethod
    def of(cls, nameplate_ah: float, is_measured: bool) -> "PackSpec":
        """Return the pack of a nameplate, Ah, that is or is not a measured capacity."""
        if is_measured:
            return cls(nameplate_ah, MEASURED_CAPACITY_SIGMA_FRAC)
        return cls(nameplate_ah * NAMEPLATE_SHARE_FRAC, NAMEPLATE_CAPACITY_SIGMA_FRAC)


@dataclass(frozen=True, slots=True)
class Count:
    """How far the count has come.

    Attributes:
        counted_pct: The bare count, %; None while no start is known.
        moved_pct: Its change since the start was known, over all runs since, %.
        start_sigma_pct: One standard deviation of the start, %.
        counted_s: Time that was counted since the start, s.
        unseen_s: Time since the start that nobody saw, s.
    """

    counted_pct: float | None = None
    moved_pct: float = 0.0
    start_sigma_pct: float = 0.0
    counted_s: float = 0.0
    unseen_s: float = 0.0


UNKNOWN = Count()
"""Nothing is known of the start."""


@dataclass(frozen=True, slots=True)
class Band:
    """A state of charge with its 95 % band, all held within 0 to 100 %."""

    soc_pct: float
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class Standing:
    """How the count stands at one moment.

    Attributes:
        band: What a person may be shown; None while no start is known.
        moved_pct: Change of the bare count since its start, %; None where nothing is
            counted.
    """

    band: Band | None
    moved_pct: float | None


NO_STANDING = Standing(None, None)
"""There is no count."""


def count_soc_pct(soc_pct: float, charge_ah: float, capacity_ah: float) -> float:
    """Return the bare count after some charge went in.

    Args:
        soc_pct: The count before, %.
        charge_ah: Charge into the pack, Ah; negative when it went out.
        capacity_ah: Usable capacity, Ah, above 0.

    Source:
        Coulomb counting, SOC(t) = SOC(0) + integral of I dt / Q, coulombic
        efficiency taken as 1; for example Movassagh et al., Energies 14 (2021) 4074.
    """
    return soc_pct + 100.0 * charge_ah / capacity_ah


def step(
    count: Count, charge_ah: float, counted_s: float, unseen_s: float, pack: PackSpec
) -> Count:
    """Return the count after one tick.

    Args:
        count: The count before.
        charge_ah: Charge into the pack over the counted time, Ah.
        counted_s: Time that the charge covers, s.
        unseen_s: Time that was skipped, s.
        pack: Capacity and how sure it is.
    """
    change_pct = count_soc_pct(0.0, charge_ah, pack.capacity_ah)
    return replace(
        count,
        counted_pct=None
        if count.counted_pct is None
        else count.counted_pct + change_pct,
        moved_pct=count.moved_pct + change_pct,
        counted_s=count.counted_s + counted_s,
        unseen_s=count.unseen_s + unseen_s,
    )


def sigma_pct(count: Count, pack: PackSpec) -> float:
    """Return one standard deviation of the count by now, %."""
    hours = count.counted_s / SECONDS_PER_HOUR
    offset_pct = 100.0 * ZERO_OFFSET_SIGMA_A * hours / pack.capacity_ah
    unseen_pct = UNSEEN_SIGMA_PCT_PER_H * count.unseen_s / SECONDS_PER_HOUR
    capacity_pct = pack.capacity_sigma_frac * count.moved_pct
    return math.hypot(count.start_sigma_pct, offset_pct, unseen_pct, capacity_pct)


def band(count: Count, pack: PackSpec) -> Band | None:
    """Return what a person may be shown; None while no start is known."""
    if count.counted_pct is None:
        return None
    half_pct = TWO_SIDED_95 * sigma_pct(count, pack) + BAND_FLOOR_PCT
    return Band(
        soc_pct=_held(count.counted_pct),
        low_pct=_held(count.counted_pct - half_pct),
        high_pct=_held(count.counted_pct + half_pct),
    )


def carry(count: Count, unseen_s: float) -> Count:
    """Return the count as the next run takes it over.

    All of it goes on, so that cutting a recording changes no band.

    Args:
        count: The count at the end of the run before.
        unseen_s: Time between the two runs, s, at least 0.
    """
    return replace(count, unseen_s=count.unseen_s + unseen_s)


def _held(soc_pct: float) -> float:
    return min(100.0, max(0.0, soc_pct))
