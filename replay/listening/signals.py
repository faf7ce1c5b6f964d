"""What one signal showed while somebody listened."""

import math
from dataclasses import dataclass


@dataclass(slots=True)
class SignalSeen:
    """The values of one signal so far, at least one.

    Attributes:
        name: The signal's name in its description.
        unit: Its unit there; empty if none is given.
        n: How many values.
        first: The first of them, in the description's unit like all that follow.
        last: The newest.
        low: The lowest.
        high: The highest.
    """

    name: str
    unit: str
    n: int = 0
    first: float = math.nan
    last: float = math.nan
    low: float = math.inf
    high: float = -math.inf
    _sum: float = 0.0
    _rest: float = 0.0

    def add(self, value: float) -> None:
        """Take in a value."""
        if self.n == 0:
            self.first = value
        self.n += 1
        self.last = value
        self.low = min(self.low, value)
        self.high = max(self.high, value)
        # Neumaier's sum: plain addition loses digits over hours of samples.
        total = self._sum + value
        if abs(self._sum) >= abs(value):
            self._rest += (self._sum - total) + value
        else:
            self._rest += (value - total) + self._sum
        self._sum = total

    @property
    def mean(self) -> float:
        """The mean of all values."""
        return (self._sum + self._rest) / self.n
