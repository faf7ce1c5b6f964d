"""The roads of the invented van: how fast it wants to go, and how steep it is.

Pure data and closed forms, so that any moment can be asked for by itself. All figures
are invented.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, pairwise

MPS_PER_KMH = 1.0 / 3.6
"""By definition: 3.6 km/h are 1 m/s."""


@dataclass(frozen=True)
class Road:
    """One drive from standstill to standstill.

    Not slotted: the cached sums need a place.

    Attributes:
        pieces: Pairs of duration, s, and the speed at its end, km/h; the speed moves
            smoothly from one end to the next. The last one ends at 0.
        hills: Pairs of height, m, and how many such hills the whole way has.
    """

    pieces: tuple[tuple[float, float], ...]
    hills: tuple[tuple[float, int], ...]

    @cached_property
    def duration_s(self) -> float:
        """How long the drive takes, s."""
        return sum(duration_s for duration_s, _ in self.pieces)

    @cached_property
    def length_m(self) -> float:
        """How long the way is, m."""
        return self._ways_m[-1]

    def speed_mps(self, into_s: float) -> float:
        """Return the speed that the driver wants, m/s.

        Args:
            into_s: Time since the drive began, held within it, s.
        """
        piece, share = self._place(into_s)
        from_mps, to_mps = self._speeds_mps[piece], self._speeds_mps[piece + 1]
        return from_mps + (to_mps - from_mps) * share * share * (3.0 - 2.0 * share)

    def way_m(self, into_s: float) -> float:
        """Return how far the van has come by then, m: the speed's exact integral."""
        piece, share = self._place(into_s)
        from_mps, to_mps = self._speeds_mps[piece], self._speeds_mps[piece + 1]
        part = share**3 - share**4 / 2.0
        within_s = from_mps * share + (to_mps - from_mps) * part
        return self._ways_m[piece] + self.pieces[piece][0] * within_s

    def grade_frac(self, into_s: float) -> float:
        """Return the slope of the road there, rise over way; downhill is negative.

        The drive ends as high as it began.
        """
        turns = 2.0 * math.pi * self.way_m(into_s) / self.length_m
        return sum(
            height_m * math.pi * count / self.length_m * math.sin(count * turns)
            for height_m, count in self.hills
        )

    @cached_property
    def _starts_s(self) -> tuple[float, ...]:
        return tuple(accumulate((each[0] for each in self.pieces), initial=0.0))

    @cached_property
    def _speeds_mps(self) -> tuple[float, ...]:
        return (0.0, *(speed_kmh * MPS_PER_KMH for _, speed_kmh in self.pieces))

    @cached_property
    def _ways_m(self) -> tuple[float, ...]:
        means_mps = ((a + b) / 2.0 for a, b in pairwise(self._speeds_mps))
        ways = (
            piece[0] * mean_mps
            for piece, mean_mps in zip(self.pieces, means_mps, strict=True)
        )
        return tuple(accumulate(ways, initial=0.0))

    def _place(self, into_s: float) -> tuple[int, float]:
        """Return the piece under way and the share of it that is over."""
        held_s = min(max(into_s, 0.0), self.duration_s)
        piece = min(bisect_right(self._starts_s, held_s), len(self.pieces)) - 1
        return piece, (held_s - self._starts_s[piece]) / self.pieces[piece][0]


TOWN = Road(
    pieces=(
        (10, 32), (25, 35), (9, 0), (10, 0), (14, 48), (40, 51), (10, 30), (9, 48),
        (35, 53), (11, 0), (12, 0), (14, 46), (60, 51), (12, 22), (11, 50), (50, 48),
        (10, 0), (10, 0), (19, 64), (80, 67), (14, 40), (40, 43), (10, 0), (8, 0),
        (14, 50), (90, 53), (12, 30), (60, 31), (12, 0), (9, 0),
    ),
    hills=((14.0, 1), (5.0, 5), (2.0, 11)),
)  # fmt: skip
"""Twelve minutes with traffic lights, over 8 km."""

HILLS = Road(
    pieces=(
        (12, 40), (30, 46), (20, 72), (110, 77), (15, 60), (50, 63), (15, 78),
        (120, 81), (14, 50), (40, 48), (12, 0), (10, 0), (16, 55), (80, 59), (14, 70),
        (90, 73), (15, 45), (50, 49), (12, 25), (40, 31), (12, 0), (13, 0),
    ),
    hills=((120.0, 1), (14.0, 4), (4.0, 13)),
)  # fmt: skip
"""Thirteen minutes over a pass, up and down again."""
