"""What the invented van does over time: a round of stops and drives without end.

A pure function of the time since the round began. All figures are invented; clouds and
loads are sums of slow waves, so that nothing is random and nothing stands still.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass
from enum import Enum
from itertools import accumulate

from replay.van_model.roads import HILLS, TOWN, Road

AWNING_TRAVEL_S = 20.0
"""How long an awning takes to slide out or in."""

READY_AFTER_S = 2.0
"""How long the motor controller takes from key on to ready."""


class Phase(Enum):
    """What the van is about."""

    STANDING = "standing, key on"
    DRIVING = "driving"
    STOPPED = "stopped, key off"
    CHARGING = "charging from a wall outlet"


@dataclass(frozen=True, slots=True)
class Leg:
    """One part of the round; a drive has a road."""

    phase: Phase
    duration_s: float
    road: Road | None = None


ROUND = (
    Leg(Phase.STANDING, 40.0),
    Leg(Phase.DRIVING, TOWN.duration_s, TOWN),
    Leg(Phase.STOPPED, 180.0),
    Leg(Phase.CHARGING, 720.0),
    Leg(Phase.STANDING, 40.0),
    Leg(Phase.DRIVING, HILLS.duration_s, HILLS),
    Leg(Phase.STOPPED, 180.0),
    Leg(Phase.CHARGING, 1680.0),
)
"""The wall and the sun give back what the two drives take, within some points."""

STARTS_S = tuple(accumulate((leg.duration_s for leg in ROUND), initial=0.0))
ROUND_S = STARTS_S[-1]
"""How long a round takes, s."""


@dataclass(frozen=True, slots=True)
class Drives:
    """What drives the boxes at one moment, from outside.

    Attributes:
        phase: What the van is about.
        target_speed_mps: The speed that the driver wants, m/s.
        grade_frac: Slope of the road, rise over way.
        is_key_on: Whether the key is on.
        is_ready: Whether the motor controller would drive.
        is_plugged_in: Whether the wall outlet is.
        awning_out_frac: How far the awnings are out, 0 to 1.
        left_sun_frac: Sun on what lies on the left, 1 is what panels are rated at.
        right_sun_frac: The same on the right.
        house_w: What the house draws at the pack's voltage, W.
        twelve_volt_w: What the 12 V side draws, W.
    """

    phase: Phase
    target_speed_mps: float
    grade_frac: float
    is_key_on: bool
    is_ready: bool
    is_plugged_in: bool
    awning_out_frac: float
    left_sun_frac: float
    right_sun_frac: float
    house_w: float
    twelve_volt_w: float


def moment(t_s: float) -> Drives:
    """Return what drives the van at a time since the first round began.

    Args:
        t_s: Seconds of the van's own time, at least 0.
    """
    in_round_s = t_s % ROUND_S
    number = min(bisect_right(STARTS_S, in_round_s), len(ROUND)) - 1
    leg, into_s = ROUND[number], in_round_s - STARTS_S[number]
    sun, lean = _sun_frac(t_s), _lean(leg, into_s)
    is_key_on = leg.phase in (Phase.STANDING, Phase.DRIVING)
    is_drive = leg.phase is Phase.DRIVING
    return Drives(
        phase=leg.phase,
        target_speed_mps=leg.road.speed_mps(into_s) if leg.road else 0.0,
        grade_frac=leg.road.grade_frac(into_s) if leg.road else 0.0,
        is_key_on=is_key_on,
        is_ready=is_drive or (is_key_on and into_s >= READY_AFTER_S),
        is_plugged_in=leg.phase is Phase.CHARGING,
        awning_out_frac=_awning_out_frac(leg, into_s),
        left_sun_frac=sun * (1.0 + lean),
        right_sun_frac=sun * (1.0 - lean),
        house_w=_house_w(leg, into_s, t_s),
        twelve_volt_w=_twelve_volt_w(leg.phase, t_s),
    )


def _wave(t_s: float, period_s: float, start: float = 0.0) -> float:
    return math.sin(2.0 * math.pi * t_s / period_s + start)


def _sun_frac(t_s: float) -> float:
    """Slow clouds over a high sun, and the small shimmer of leaves."""
    clouds = 0.7 * _wave(t_s, 37.0, 1.0) + _wave(t_s, 83.0) + 0.9 * _wave(t_s, 211, 2.0)
    clear_frac = 1.0 / (1.0 + math.exp(-2.0 * clouds))
    slow = 0.93 + 0.07 * _wave(t_s, 2900.0)
    return slow * (0.25 + 0.6 * clear_frac + 0.03 * _wave(t_s, 11.0))


def _lean(leg: Leg, into_s: float) -> float:
    """How much more sun the left side has: the heading turns while driving."""
    turning_s = into_s if leg.phase is Phase.DRIVING else 0.0
    return 0.06 * _wave(turning_s, 170.0, 0.6)


def _awning_out_frac(leg: Leg, into_s: float) -> float:
    """Out during a stop, in again before the next drive."""
    match leg.phase:
        case Phase.STOPPED:
            return min(1.0, max(0.0, into_s / AWNING_TRAVEL_S - 1.0))
        case Phase.CHARGING:
            left_s = leg.duration_s - into_s
            return min(1.0, max(0.0, left_s / AWNING_TRAVEL_S - 1.0))
        case Phase.STANDING | Phase.DRIVING:
            return 0.0


def _house_w(leg: Leg, into_s: float, t_s: float) -> float:
    base_w = 55.0 + 15.0 * (1.0 + _wave(t_s, 23.0))
    fridge_w = 75.0 if t_s % 540.0 < 210.0 else 0.0
    is_cooking = leg.phase is Phase.STOPPED and 40.0 <= into_s < 150.0
    return base_w + fridge_w + (1350.0 if is_cooking else 0.0)


def _twelve_volt_w(phase: Phase, t_s: float) -> float:
    match phase:
        case Phase.STANDING | Phase.DRIVING:
            return 210.0 + 30.0 * _wave(t_s, 47.0)
        case Phase.CHARGING:
            return 80.0
        case Phase.STOPPED:
            return 45.0
