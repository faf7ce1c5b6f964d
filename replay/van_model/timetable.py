"""Which boxes speak at which step of the model.

Pure. All periods are whole multiples of a step, so that the plan repeats itself.
"""

import math
from collections.abc import Sequence

from replay.van_model.lines import SpokenLine
from replay.van_model.messages import SpokenFrame

Spoken = SpokenFrame | SpokenLine


class Timetable:
    """Tells what is due at a moment of the van's own time."""

    def __init__(
        self, spoken: Sequence[Spoken], step_us: int, slowest_us: int = 0
    ) -> None:
        """Lay out the plan.

        Args:
            spoken: What is said.
            step_us: One step of the model, microseconds.
            slowest_us: Nothing is said more often than that, microseconds.
        """
        self._step_us = step_us
        periods = [_steps(max(each.period_us, slowest_us), step_us) for each in spoken]
        # Those of like period are spread, so that no step carries them all.
        starts = [place % period for place, period in enumerate(periods)]
        due = list(zip(spoken, periods, starts, strict=True))
        self._plan = tuple(
            tuple(each for each, period, start in due if number % period == start)
            for number in range(math.lcm(*periods))
        )

    def due(self, t_us: int) -> tuple[Spoken, ...]:
        """Return what is said at a moment, a whole number of steps since 0.

        Args:
            t_us: The van's own time, microseconds.
        """
        return self._plan[t_us // self._step_us % len(self._plan)]


def _steps(period_us: int, step_us: int) -> int:
    if period_us % step_us:
        raise ValueError(f"{period_us} us is no whole number of steps of {step_us} us")
    return period_us // step_us
