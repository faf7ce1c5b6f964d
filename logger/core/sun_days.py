"""What each solar string brought on each day.

The days are the van's own; whoever feeds the book says which day it is.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from logger.core.tick import SECONDS_PER_HOUR, US_PER_S, Cell

LIT_W = 20.0
"""Above this a string counts as lit: some 2 to 3 % of what one on a van is rated at,
more than moonlight or a lamp gives (design judgement)."""


@dataclass(frozen=True, slots=True)
class SunDay:
    """What one string brought on one day.

    Attributes:
        day: The day; None for what has no date.
        string: Its name in the van file.
        energy_wh: Energy, Wh.
        peak_w: Highest sample, W.
        lit_s: Time in stretches with a mean above `LIT_W`, s.
        covered_s: Time that was counted, s.
    """

    day: date | None
    string: str
    energy_wh: float
    peak_w: float
    lit_s: float
    covered_s: float


@dataclass(slots=True)
class _Sum:
    """One string on one day, under way."""

    integral: float = 0.0
    peak_w: float = float("-inf")
    lit_us: int = 0
    covered_us: int = 0


@dataclass(slots=True)
class SunBook:
    """Books stretches of strings on their days; is fed and answers."""

    _days: dict[date | None, dict[str, _Sum]] = field(default_factory=dict)

    def add(self, day: date | None, string: str, cell: Cell) -> None:
        """Book a stretch of one string: its power over a minute, say.

        Args:
            day: The day; None where it is not known.
            string: Its name in the van file.
            cell: Its power over the stretch, W; the shorter it is, the better `lit_s`.
        """
        own = self._days.setdefault(day, {}).setdefault(string, _Sum())
        own.integral += cell.integral
        own.peak_w = max(own.peak_w, cell.high)
        own.covered_us += cell.covered_us
        if cell.mean > LIT_W:
            own.lit_us += cell.covered_us

    def take_before(self, day: date) -> list[SunDay]:
        """Return all that is booked on earlier days, and forget it."""
        over = [each for each in self._days if each is not None and each < day]
        return self._take(over)

    def take_all(self) -> list[SunDay]:
        """Return all that is left, what has no date last, and forget it."""
        return self._take(self._days)

    def _take(self, days: Iterable[date | None]) -> list[SunDay]:
        order = sorted(days, key=lambda day: (day is None, day or date.min))
        return [
            SunDay(
                day,
                string,
                own.integral / SECONDS_PER_HOUR,
                own.peak_w,
                own.lit_us / US_PER_S,
                own.covered_us / US_PER_S,
            )
            for day in order
            for string, own in sorted(self._days.pop(day).items())
        ]
