"""What a satellite receiver tells of the date, and when it may be believed.

A receiver without a fix tells any date, one with a fix may have lost count of the
weeks, and its line arrives late. Knows fix, number of satellites and date as readings;
no clock and no run.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from logger.core.health import Health, Reading
from logger.core.tick import US_PER_S

LINE_US = US_PER_S
"""How late the date of a satellite receiver may arrive: it comes after the fix, over a
slow line, in whole seconds (common practice, no source)."""

STEADY_US = 3 * US_PER_S
"""How long satellites have to tell the same date."""

LEAST_SATELLITES = 4
"""Three places and the time are four unknowns."""

EARLIEST_US = 1_767_225_600 * US_PER_S
"""1 January 2026: no run was ever logged before this program was written."""

LATEST_US = 4_102_444_800 * US_PER_S
"""1 January 2100: later dates are not meant."""

SATELLITES_BEGAN_US = 315_964_800 * US_PER_S
"""6 January 1980, when the weeks of satellite time begin to count."""

ROLLOVER_US = 1024 * 7 * 86_400 * US_PER_S
"""The week has ten bits: an old receiver falls back by this, 19.6 years. Source:
IS-GPS-200, 3.3.4: the week in the message is the week modulo 1,024."""


@dataclass(frozen=True, slots=True)
class SatelliteDate:
    """What a receiver with a good fix told.

    Attributes:
        t_us: When it was heard, microseconds since the run's zero.
        date_us: The date that it told, microseconds since the Unix epoch.
    """

    t_us: int
    date_us: int


@dataclass(frozen=True, slots=True)
class Steady:
    """A stretch in which satellites told the same date.

    Attributes:
        first_us: First sample, microseconds since the run's zero.
        newest_us: Newest one.
        low_us: Smallest date of the run's zero that they came to.
        high_us: Largest one: from the sample that arrived with the least delay.
        weeks: What was added for the rollover of the weeks.
    """

    first_us: int
    newest_us: int
    low_us: int
    high_us: int
    weeks: int = 0

    @property
    def is_long_enough(self) -> bool:
        """True once the date may be believed."""
        return self.newest_us - self.first_us >= STEADY_US


def satellite_date(readings: Iterable[Reading]) -> SatelliteDate | None:
    """Return what a receiver tells just now; None without a good fix.

    Args:
        readings: How every channel stands; only fresh ones are believed.
    """
    fresh = {each.channel: each for each in readings if each.health is Health.FRESH}
    time, fix, count = (
        fresh.get(name) for name in ("gps.time_s", "gps.fix", "gps.satellites_count")
    )
    if time is None or time.value is None or not _value(fix) > 0:
        return None
    if _value(count) < LEAST_SATELLITES:
        return None
    return SatelliteDate(time.t_us, round(time.value * US_PER_S))


def steadied(before: Steady | None, heard: SatelliteDate | None) -> Steady | None:
    """Return the stretch of one and the same date with the newest word in it.

    Args:
        before: The stretch so far.
        heard: The newest word; None without a good fix.
    """
    if heard is None:
        return None
    if before is not None and heard.t_us <= before.newest_us:
        return before  # the same sample once more
    date_us, weeks = _unrolled(heard.date_us)
    if not is_plausible(date_us):
        return None
    zero_us = date_us - heard.t_us
    if before is not None:
        low_us, high_us = min(before.low_us, zero_us), max(before.high_us, zero_us)
        # A receiver that repeats one date forever drifts out of this.
        if high_us - low_us <= LINE_US:
            return Steady(before.first_us, heard.t_us, low_us, high_us, weeks)
    return Steady(heard.t_us, heard.t_us, zero_us, zero_us, weeks)


def is_plausible(date_us: int) -> bool:
    """Return whether a date may be one of a run, microseconds since the Unix epoch."""
    return EARLIEST_US <= date_us < LATEST_US


def _unrolled(date_us: int) -> tuple[int, int]:
    """Return a date with its weeks put right, and how many were added."""
    weeks = 0
    while SATELLITES_BEGAN_US <= date_us < EARLIEST_US:
        date_us += ROLLOVER_US
        weeks += 1024
    return date_us, weeks


def _value(reading: Reading | None) -> float:
    return 0.0 if reading is None or reading.value is None else reading.value
