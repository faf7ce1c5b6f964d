"""How far a reading can be trusted right now: one mechanism for everything.

Knows ages, beats and pairs of channels; no device and no page. Pages, ledger and
diagnosis only consult it.

The limits are design judgement (no source): late after two beats, missing after five.
"""

from dataclasses import dataclass
from enum import Enum

from logger.core.tick import US_PER_S

LATE_FLOOR_US = 2 * US_PER_S
LATE_PERIODS = 2
"""A reading is fresh up to 2 s or two of its beats, whichever is longer."""

MISSING_FLOOR_US = 10 * US_PER_S
MISSING_PERIODS = 5
"""A reading is missing after 10 s or five of its beats, whichever is longer."""


class Health(Enum):
    """State of one reading; exactly one holds at a time."""

    FRESH = "fresh"
    LATE = "late"
    MISSING = "missing"
    FROZEN = "frozen"
    IMPLAUSIBLE = "implausible"
    DISAGREEING = "disagreeing"


def health_of_age(age_us: int, period_us: int) -> Health:
    """Return what the age of a reading makes of it.

    Args:
        age_us: Time since its newest sample, microseconds.
        period_us: The beat of its source, microseconds; 0 while unknown.
    """
    if age_us <= max(LATE_FLOOR_US, LATE_PERIODS * period_us):
        return Health.FRESH
    if age_us <= max(MISSING_FLOOR_US, MISSING_PERIODS * period_us):
        return Health.LATE
    return Health.MISSING


@dataclass(frozen=True, slots=True)
class Pair:
    """Two channels that measure one thing, and how far apart they may be.

    Attributes:
        first: Name of one channel.
        second: Name of the other.
        points: Largest difference, in the channels' unit.
        share: Largest difference as a share of the larger of the two.
    """

    first: str
    second: str
    points: float = 0.0
    share: float = 0.0

    def agrees(self, first: float, second: float) -> bool:
        """Return whether two values may be readings of one thing."""
        largest = max(abs(first), abs(second))
        return abs(first - second) <= max(self.points, self.share * largest)


PAIRS = (
    Pair("pack.soc_pct", "meter.soc_pct", points=5.0),
    Pair("pack.voltage_v", "meter.voltage_v", share=0.01),
    Pair("pack.voltage_v", "controller.dc_voltage_v", share=0.05),
)
"""Where two boxes tell one thing. The controller stands at the far end of the cables,
behind contactor and fuse (5 %: common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """The newest state of one channel.

    Attributes:
        channel: Its name, the unit as suffix.
        value: The newest accepted sample, in the channel's unit; None if none yet.
        mean: Its time-weighted mean over the last two counted seconds; None where
            nothing was counted lately.
        t_us: Time of that sample, microseconds since the run's zero.
        age_us: Time since then, microseconds.
        period_us: The beat of the source, microseconds; 0 while unknown.
        health: Whether it can be trusted.
        source: Where it comes from: a bus and message, a port and line, or how it was
            worked out.
        note: What stands against it: the refused raw value, or the channel it
            disagrees with; otherwise empty.
    """

    channel: str
    value: float | None
    mean: float | None
    t_us: int
    age_us: int
    period_us: int
    health: Health
    source: str
    note: str = ""
