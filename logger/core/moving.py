"""Whether the van is being driven, for what a driver may be shown.

Knows speed, traction current, key and position; no page. Where the speed is unknown it
errs on the side of moving.
"""

from dataclasses import dataclass, replace

from logger.core.tick import US_PER_S

WALKING_MPS = 5.0 / 3.6
"""Above 5 km/h the van drives, below it is being manoeuvred (design judgement)."""

HOLDS_US = 2 * US_PER_S
"""A speed has to last that long before it counts, either way."""

COASTS_US = 30 * US_PER_S
"""A van without speed and key may roll that long without current (design judgement)."""

TRACTION_A = 5.0
"""More than that into the motor is no idle current (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known at one moment; None where there is no live reading.

    Attributes:
        t_us: The moment, microseconds since the run's zero.
        speed_mps: Road speed.
        traction_a: Current into the motor controller.
        is_key_on: Whether the key is on.
        has_position: Whether the receiver has a position; None where none is fitted.
    """

    t_us: int
    speed_mps: float | None = None
    traction_a: float | None = None
    is_key_on: bool | None = None
    has_position: bool | None = None


@dataclass(frozen=True, slots=True)
class Moving:
    """Whether the van drives.

    Attributes:
        is_moving: True while it does; None where nobody can tell.
        stops: How often it came to a stop.
        changed_us: Since when the speed has said the opposite; None while it agrees.
    """

    is_moving: bool | None = None
    stops: int = 0
    changed_us: int | None = None


def step(state: Moving, seen: Seen) -> Moving:
    """Return whether the van drives after one more look.

    Args:
        state: What was known before.
        seen: What is seen now.
    """
    if seen.speed_mps is None:
        return _step_without_speed(state, seen)
    is_fast = abs(seen.speed_mps) > WALKING_MPS
    if state.is_moving is None:
        return _settled(state, is_fast)
    if is_fast == state.is_moving:
        return replace(state, changed_us=None)
    since_us = seen.t_us if state.changed_us is None else state.changed_us
    if seen.t_us - since_us < HOLDS_US:
        return replace(state, changed_us=since_us)
    return _settled(state, is_fast)


def _step_without_speed(state: Moving, seen: Seen) -> Moving:
    """A van whose speed is lost coasts without current: it is not standing for that."""
    moves = _moves_without_speed(seen)
    if not state.is_moving or moves is not False or seen.is_key_on is False:
        return _settled(state, moves)
    if seen.is_key_on:
        return replace(state, changed_us=None)
    since_us = seen.t_us if state.changed_us is None else state.changed_us
    if seen.t_us - since_us < COASTS_US:
        return replace(state, changed_us=since_us)
    return _settled(state, False)


def _moves_without_speed(seen: Seen) -> bool | None:
    if seen.traction_a is not None and abs(seen.traction_a) > TRACTION_A:
        return True
    if seen.is_key_on and seen.has_position is False:
        return True
    if seen.traction_a is None and seen.is_key_on is None:
        return None
    return False


def _settled(state: Moving, is_moving: bool | None) -> Moving:
    came_to_stop = state.is_moving is True and is_moving is not True
    return Moving(is_moving, state.stops + came_to_stop)
