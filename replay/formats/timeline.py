"""From a recording's own time stamps to time since the run's zero.

Knows stamps only. A recording carries wall-clock stamps, and wall clocks step: a step
is taken out, so that it becomes neither negative time nor energy. Two interfaces may
have two clocks: each source is judged by its own stamps, and the times between them are
kept as they came. Stamps that run back a little are left as they are, and so is a stamp
that comes back from a short leap ahead.
"""

from dataclasses import dataclass, field

from logger.core.tick import US_PER_S

STEP_BACK_US = US_PER_S
"""Stamps that run back further than this were moved by a clock, not by a bus."""

STEP_AHEAD_US = 24 * 3600 * US_PER_S
"""A recording that is silent for a day would be two recordings."""

LEAP_US = 10 * US_PER_S
"""A clock that leaps no further than this and is back this soon added no time."""

EARLIEST_DATE_US = 946_684_800 * US_PER_S
"""2000-01-01: smaller stamps count from the start of something, not from 1970."""

LATEST_DATE_US = 4_102_444_800 * US_PER_S
"""2100-01-01: larger stamps are no dates of this program's life."""

LATEST_STAMP_US = 10**17
"""A stamp beyond this (about the year 5138) is a broken one."""


def is_date(stamp_us: int) -> bool:
    """Return whether a stamp can be a date: from 2000 to 2100."""
    return EARLIEST_DATE_US <= stamp_us < LATEST_DATE_US


def is_possible(stamp_us: int) -> bool:
    """Return whether a stamp can be one at all; others are damage."""
    return abs(stamp_us) <= LATEST_STAMP_US


@dataclass(frozen=True, slots=True)
class ClockStep:
    """One step that was taken out: when, and by how much (negative: back)."""

    t_us: int
    step_us: int


@dataclass(slots=True)
class _Source:
    """The stamps of one interface so far, already as time since the run's zero."""

    offset_us: int
    newest_us: int
    leap_from_us: int | None = None
    leap_to_us: int = 0


@dataclass(slots=True)
class Timeline:
    """Places stamps in order of arrival; is fed and answers.

    Attributes:
        zero_stamp_us: The first stamp, which is the run's zero.
        newest_us: Time of the newest item, microseconds since the run's zero.
        steps: Clock steps that were taken out.
    """

    zero_stamp_us: int | None = None
    newest_us: int = 0
    steps: list[ClockStep] = field(default_factory=list)
    _sources: dict[str, _Source] = field(default_factory=dict)

    def place(self, stamp_us: int, name: str = "") -> int:
        """Return the time of the next item, microseconds since the run's zero.

        Args:
            stamp_us: Its own stamp, microseconds since whatever the source counts from.
            name: The source whose clock stamped it, where there are several.
        """
        if self.zero_stamp_us is None:
            self.zero_stamp_us = stamp_us
        source = self._sources.get(name)
        if source is None:
            source = self._sources[name] = self._begin(stamp_us)
        t_us = max(stamp_us - source.offset_us, 0)
        step_us = stamp_us - source.offset_us - source.newest_us
        if step_us > STEP_AHEAD_US or (
            step_us < -STEP_BACK_US and not _is_back_from_leap(source, t_us)
        ):
            self.steps.append(ClockStep(source.newest_us, step_us))
            source.offset_us += step_us
            t_us = source.newest_us
        elif step_us > STEP_BACK_US:
            source.leap_from_us, source.leap_to_us = source.newest_us, t_us
        is_back = step_us < -STEP_BACK_US
        source.newest_us = t_us if is_back else max(source.newest_us, t_us)
        self.newest_us = max(self.newest_us, t_us)
        return t_us

    def _begin(self, stamp_us: int) -> _Source:
        """Return a new source; its clock may be another than that of the first."""
        zero_us = self.zero_stamp_us or 0
        ahead_us = stamp_us - zero_us - self.newest_us
        is_other = not -STEP_BACK_US <= ahead_us <= STEP_AHEAD_US
        offset_us = stamp_us - self.newest_us if is_other else zero_us
        return _Source(offset_us, stamp_us - offset_us)

    @property
    def is_dated(self) -> bool:
        """True where the first stamp is a date."""
        return self.zero_stamp_us is not None and is_date(self.zero_stamp_us)


def _is_back_from_leap(source: _Source, t_us: int) -> bool:
    """Return whether a stamp runs back to where a short leap ahead began."""
    return (
        source.leap_from_us is not None
        and t_us >= source.leap_from_us
        and source.leap_to_us - source.leap_from_us <= LEAP_US
        and source.newest_us - source.leap_to_us <= LEAP_US
    )
