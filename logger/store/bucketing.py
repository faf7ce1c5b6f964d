"""Rows of any length, by their dates, into buckets of equal width.

Pure. A row belongs to the bucket that it begins in. A bucket without a row that lies
within a counted interval has the mean of what that interval belongs to: a source that
speaks every minute leaves no holes. What was not counted stays None: a gap.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S, Cell


@dataclass(frozen=True, slots=True)
class Envelope:
    """One channel, bucket by bucket, in its unit; None where nothing was heard.

    Attributes:
        from_us: Start of the first bucket, microseconds since the Unix epoch.
        step_us: Width of a bucket, microseconds.
        low: Lowest value in each.
        mean: Mean over the counted time; of what is not integrated the newest value.
        high: Highest value in each.
    """

    from_us: int
    step_us: int
    low: Sequence[float | None]
    mean: Sequence[float | None]
    high: Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Found:
    """One row: when it began, how long its kind of row is, and what it holds.

    Attributes:
        start_us: Its start, microseconds since the Unix epoch.
        unit_us: Length of such a row, microseconds.
        cell: What the channel did.
    """

    start_us: int
    unit_us: int
    cell: Cell


@dataclass(slots=True)
class Sum:
    """What some rows come to.

    Attributes:
        low: Smallest sample.
        high: Largest sample.
        integral: The channel's unit times s.
        covered_s: Time that it covers, s.
        last: Newest sample.
        newest_us: Start of the newest row, microseconds since the Unix epoch.
        reach_us: How far back its intervals reach, the same.
    """

    low: float
    high: float
    integral: float
    covered_s: float
    last: float
    newest_us: int
    reach_us: int

    def join(self, other: "Sum") -> None:
        """Add what other rows come to."""
        self.low = min(self.low, other.low)
        self.high = max(self.high, other.high)
        self.integral += other.integral
        self.covered_s += other.covered_s
        self.reach_us = min(self.reach_us, other.reach_us)
        if other.newest_us >= self.newest_us:
            self.newest_us, self.last = other.newest_us, other.last

    @property
    def mean(self) -> float:
        """Mean over the counted time; the newest sample where none was counted."""
        return self.integral / self.covered_s if self.covered_s else self.last


def reach(covered_s: float, unit_us: int) -> int:
    """Return how far before its row an interval may begin, in whole rows, us.

    An interval is booked whole in the row in which it ends.
    """
    return max(0, math.ceil(round(covered_s * US_PER_S) / unit_us) - 1) * unit_us


@dataclass(slots=True)
class Buckets:
    """Buckets of equal width; is fed and answers.

    Args:
        from_us: Start of the first one, microseconds since the Unix epoch.
        to_us: End; rows that begin there or later only reach back into a bucket.
        step_us: Width, microseconds.
    """

    from_us: int
    to_us: int
    step_us: int
    _sums: dict[int, Sum] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """How many there are."""
        return -((self.from_us - self.to_us) // self.step_us)

    def add(self, found: Found) -> None:
        """Take one row, not before the first bucket."""
        cell = found.cell
        covered_s = cell.covered_us / US_PER_S
        place = (found.start_us - self.from_us) // self.step_us
        # Beyond the last bucket in its own place: it only reaches back.
        place = place if found.start_us < self.to_us else self.count + place
        back_us = reach(covered_s, found.unit_us)
        self.put(
            place,
            Sum(
                cell.low,
                cell.high,
                cell.integral,
                covered_s,
                cell.last,
                found.start_us,
                found.start_us - back_us,
            ),
        )

    def put(self, place: int, found: Sum) -> None:
        """Take what the rows of one bucket come to."""
        if place in self._sums:
            self._sums[place].join(found)
        else:
            self._sums[place] = found

    def envelope(self) -> Envelope:
        """Return all buckets."""
        count = self.count
        low: list[float | None] = [None] * count
        mean, high = low.copy(), low.copy()
        for place, found in self._sums.items():
            if place < count:
                mean[place] = found.mean
                # The first interval began at a sample outside: the band holds its mean.
                low[place] = min(found.low, found.mean)
                high[place] = max(found.high, found.mean)
        for place, found in self._sums.items():
            first = max(0, (found.reach_us - self.from_us) // self.step_us)
            for earlier in range(first, min(place, count)):
                if earlier not in self._sums:
                    low[earlier] = mean[earlier] = high[earlier] = found.mean
        return Envelope(self.from_us, self.step_us, low, mean, high)
