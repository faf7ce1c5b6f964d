"""Which accounts have been silent for too long, told from the seconds alone.

Knows ticks, no samples: an account was heard last at the first sample that its gap
limit tells, plus all that it covered, plus all its gaps. That is exact to the
microsecond, so that what was stored tells the same as what was heard live. Coded
channels cover nothing and are no accounts; the key is heard in the ticks themselves.
"""

from dataclasses import dataclass, field

from logger.core.ledger import is_booked
from logger.core.tick import Gap, Tick


@dataclass(slots=True)
class Silences:
    """Follows when each account was heard last; is fed and answers."""

    _latest_us: dict[str, int] = field(default_factory=dict)
    _limit_us: dict[str, int] = field(default_factory=dict)

    def add(self, tick: Tick) -> None:
        """Take the next tick of the run."""
        for limit in tick.limits:
            if is_booked(limit.channel):
                self._latest_us.setdefault(limit.channel, limit.since_us)
                self._limit_us[limit.channel] = limit.limit_us
        for name in self._latest_us:
            cell = tick.cells.get(name)
            if cell is not None:
                self._latest_us[name] += cell.covered_us
        for gap in tick.gaps:
            if gap.channel in self._latest_us:
                self._latest_us[gap.channel] += gap.end_us - gap.start_us

    def latest_us(self, channel: str) -> int | None:
        """Return when an account was heard last; None if it was not yet."""
        return self._latest_us.get(channel)

    def is_silent(self, channel: str, now_us: int) -> bool:
        """Return whether an account was heard once and is in a gap by now."""
        latest_us = self._latest_us.get(channel)
        return latest_us is not None and now_us - latest_us > self._limit_us[channel]

    def under_way(self, now_us: int) -> list[Gap]:
        """Return the gaps of accounts that are under way at some moment.

        Args:
            now_us: Time of the newest sample of any channel.
        """
        return [
            Gap(name, latest_us, now_us)
            for name, latest_us in self._latest_us.items()
            if self.is_silent(name, now_us)
        ]
