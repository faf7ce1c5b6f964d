"""Thins seconds or minutes to the points of a chart, so that every spike survives.

Pure. A bucket has the lowest and highest sample and the mean over the counted time. A
bucket without a sample that lies within a counted interval has that interval's mean: a
source that speaks every 5 s leaves no holes. What was not counted stays None: a gap.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from logger.core.rollup import TICKS_PER_MINUTE, join_cells
from logger.core.tick import US_PER_S, Cell

LONG_S = 2 * 3600.0
"""A stretch longer than this is drawn from minutes."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Buckets of equal width over a stretch.

    Attributes:
        unit_s: Length of a stored row: 1 for seconds, 60 for minutes.
        first: Index of the first row wanted.
        width: Rows a bucket.
        count: Number of buckets.
    """

    unit_s: int
    first: int
    width: int
    count: int

    @property
    def last(self) -> int:
        """Index of the last row wanted."""
        return self.first + self.width * self.count - 1

    @property
    def step_s(self) -> int:
        """Width of a bucket, s."""
        return self.width * self.unit_s

    @property
    def starts_s(self) -> list[int]:
        """Where each bucket begins, s since the run's zero."""
        first_s = self.first * self.unit_s
        return [first_s + place * self.step_s for place in range(self.count)]

    def place(self, index: int) -> int:
        """Return the bucket of a row; outside 0 to `count` - 1 for a row beyond."""
        return (index - self.first) // self.width


@dataclass(frozen=True, slots=True)
class Column:
    """One channel, bucket by bucket, in its unit; None where nothing was counted."""

    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]


def grid(from_s: float, to_s: float, points: int) -> Grid:
    """Return the buckets for a stretch of a run.

    Args:
        from_s: Start, s since the run's zero.
        to_s: End, s since the run's zero, above `from_s`.
        points: At most so many buckets, at least 1.
    """
    unit_s = TICKS_PER_MINUTE if to_s - from_s > LONG_S else 1
    first = math.floor(from_s / unit_s)
    rows = max(1, math.ceil(to_s / unit_s) - first)
    width = math.ceil(rows / points)
    return Grid(unit_s, first, width, math.ceil(rows / width))


def bucketed(cells: Iterable[tuple[int, Cell]], over: Grid) -> Column:
    """Return one channel over a grid.

    Args:
        cells: Index of a row and what the channel did in it, in order of time.
        over: The buckets.
    """
    joined: list[Cell | None] = [None] * over.count
    spanned: list[float | None] = [None] * over.count
    for index, cell in cells:
        place = over.place(index)
        # An interval is booked whole in the row in which it ends.
        reach = math.ceil(cell.covered_us / (over.unit_s * US_PER_S)) - 1
        for earlier in range(max(0, over.place(index - reach)), place):
            if earlier < over.count:
                spanned[earlier] = cell.mean
        if 0 <= place < over.count:
            before = joined[place]
            joined[place] = cell if before is None else join_cells(before, cell)
    # The first interval of a bucket began at a sample outside it: its mean may lie
    # outside the bucket's samples, and the band always holds the mean.
    points = [_point(*pair) for pair in zip(joined, spanned, strict=True)]
    return Column(
        low=[low for low, _, _ in points],
        mean=[mean for _, mean, _ in points],
        high=[high for _, _, high in points],
    )


Point = tuple[float | None, float | None, float | None]


def _point(cell: Cell | None, spanned: float | None) -> Point:
    if cell is None:
        return spanned, spanned, spanned
    mean = cell.mean
    return min(cell.low, mean), mean, max(cell.high, mean)
