"""From a recording's own time stamps to time since the run's zero.

Knows stamps only. A recording carries wall-clock stamps, and wall clocks step: a step
is taken out, so that it becomes neither negative time nor energy. Stamps that run back
a little, as they do between two buses, are left as they are.
"""

from dataclasses import dataclass, field

from logger.core.tick import US_PER_S

STEP_BACK_US = US_PER_S
"""Stamps that run back further than this were moved by a clock, not by a bus."""

STEP_AHEAD_US = 24 * 3600 * US_PER_S
"""A recording that is silent for a day would be two recordings."""

EARLIEST_DATE_US = 946_684_800 * US_PER_S
"""2000-01-01: smaller stamps count from the start of something, not from 1970."""


@dataclass(frozen=True, slots=True)
class ClockStep:
    """One step that was taken out: when, and by how much (negative: back)."""

    t_us: int
    step_us: int


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
    _offset_us: int = 0

    def place(self, stamp_us: int) -> int:
        """Return the time of the next item, microseconds since the run's zero.

        Args:
            stamp_us: Its own stamp, microseconds since whatever the source counts from.
        """
        if self.zero_stamp_us is None:
            self.zero_stamp_us = stamp_us
            self._offset_us = stamp_us
        t_us = stamp_us - self._offset_us
        step_us = t_us - self.newest_us
        if step_us < -STEP_BACK_US or step_us > STEP_AHEAD_US:
            self.steps.append(ClockStep(self.newest_us, step_us))
            self._offset_us += step_us
            t_us = self.newest_us
        t_us = max(t_us, 0)
        self.newest_us = max(self.newest_us, t_us)
        return t_us

    @property
    def is_dated(self) -> bool:
        """True where the first stamp is a date."""
        return (self.zero_stamp_us or 0) >= EARLIEST_DATE_US
