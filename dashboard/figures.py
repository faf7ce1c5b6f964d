"""Panels of a trip as figures: scales, lines, bands and gaps, ready to be drawn.

Pure: columns over a grid of time in, coordinates and words out. Lengths are shares of
the panel, so that the same figure fits every phone: 0 to 1000 across and 0 to 100 down
for lines, per cent for text and rules. Each bucket shows its lowest and highest sample
as a band and its mean as a line; a stretch without readings breaks both, is hatched,
and is never drawn across.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from dashboard.buckets import Column, Grid
from dashboard.wording import number

WIDE, HIGH = 1000.0, 100.0
"""Size of the drawing that is stretched over a panel."""

MOST_TICKS = 5
"""No scale has more figures than this."""

NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Steps of a scale, times a power of ten."""

ROOM_FRAC = 0.04
"""Room beyond the outermost values, so that a line never lies on the edge."""

CLOCK_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)
"""Steps of a time axis, s."""

MOST_CLOCKS = 3
"""Times between the two ends of an axis; more would touch each other on a phone."""

EDGE_PCT = 18.0
"""A time this near to an end would touch the end's own."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One figure at the edge of a panel; `at_pct` from the left or from the top."""

    at_pct: float
    text: str
    is_zero: bool = False


@dataclass(frozen=True, slots=True)
class Hatch:
    """A stretch without readings, % of the width."""

    at_pct: float
    width_pct: float


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale from low to high with its ticks, in the unit shown."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def at(self, value: float) -> float:
        """Return how far down a value lies, 0 at the top to 100 at the bottom."""
        return (self.high - value) / (self.high - self.low) * HIGH


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity over time.

    Attributes:
        name: What it is.
        unit: Its unit, and what a reader has to know.
        label: The answer that it holds, one sentence.
        size: How high it is: `tall`, empty or `low`.
        ticks: Figures of its scale.
        bands: Outline of the band of each unbroken piece.
        lines: Mean of each unbroken piece.
        hatches: Stretches without readings.
        zero_pct: Where the line turns from ink to blue, % from the top; None where it
            does not.
    """

    name: str
    unit: str
    label: str
    size: str
    ticks: tuple[Tick, ...]
    bands: tuple[str, ...]
    lines: tuple[str, ...]
    hatches: tuple[Hatch, ...]
    zero_pct: float | None = None


def scale_of(values: Sequence[float], least: float) -> Scale:
    """Return a scale that holds all values and zero, with a few round ticks within.

    Args:
        values: What has to fit.
        least: The scale is at least so wide, so that noise stays small.
    """
    low, high = min(0.0, *values, 0.0), max(0.0, *values, 0.0)
    high = max(high, low + least)
    room = (high - low) * ROOM_FRAC
    low, high = (low - room if low else 0.0), high + room
    power = 10.0 ** math.floor(math.log10((high - low) / MOST_TICKS))
    # The last step is more than a fifth of the whole, so that one of them fits.
    for step in (power * each for each in NICE):
        first, last = math.ceil(low / step), math.floor(high / step)
        if last - first < MOST_TICKS:
            break
    return Scale(low, high, tuple(each * step for each in range(first, last + 1)))


WHOLE_CHARGE = Scale(0.0, 100.0, (0.0, 50.0, 100.0))
"""Charge is always drawn over the whole pack."""


def converted(column: Column, factor: float) -> Column:
    """Return a column in another unit; a negative factor swaps low and high.

    Args:
        column: Values.
        factor: What each is multiplied with.
    """
    low, mean, high = (
        [None if each is None else each * factor for each in part]
        for part in (column.low, column.mean, column.high)
    )
    return Column(low, mean, high) if factor >= 0 else Column(high, mean, low)


def pieces(column: Column) -> list[range]:
    """Return the unbroken pieces of a column, as places of its buckets."""
    found: list[range] = []
    start: int | None = None
    for place, mean in enumerate([*column.mean, None]):
        if mean is not None and start is None:
            start = place
        elif mean is None and start is not None:
            found.append(range(start, place))
            start = None
    return found


def gaps(column: Column) -> list[range]:
    """Return the stretches without readings, as places of its buckets."""
    ends = [0]
    for piece in pieces(column):
        ends += [piece.start, piece.stop]
    ends.append(len(column.mean))
    return [range(a, b) for a, b in list(pairwise(ends))[::2] if b > a]


def lines_of(column: Column, scale: Scale) -> tuple[str, ...]:
    """Return the mean as points of a line, one line for each unbroken piece."""
    return tuple(
        _points(_edged(piece, column.mean, len(column.mean)), scale)
        for piece in pieces(column)
    )


def bands_of(column: Column, scale: Scale) -> tuple[str, ...]:
    """Return lowest to highest as closed outlines, one for each unbroken piece."""
    count = len(column.mean)
    return tuple(
        _points(
            _edged(piece, column.high, count) + _edged(piece, column.low, count)[::-1],
            scale,
        )
        for piece in pieces(column)
    )


def _edged(
    piece: range, values: Sequence[float | None], count: int
) -> list[tuple[float, float]]:
    """Return points in the middle of their buckets, drawn out to the piece's ends."""
    inner = [((place + 0.5), values[place] or 0.0) for place in piece]
    first, last = (piece.start, inner[0][1]), (piece.stop, inner[-1][1])
    return [(x * WIDE / count, value) for x, value in (first, *inner, last)]


def _points(points: Sequence[tuple[float, float]], scale: Scale) -> str:
    return " ".join(f"{_short(x)},{_short(scale.at(value))}" for x, value in points)


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def hatches_of(column: Column) -> tuple[Hatch, ...]:
    """Return the stretches without readings as shares of the width."""
    share = 100.0 / len(column.mean)
    return tuple(
        Hatch(round(gap.start * share, 2), round(len(gap) * share, 2))
        for gap in gaps(column)
    )


def ticks_of(scale: Scale) -> tuple[Tick, ...]:
    """Return the figures of a scale, from the bottom up."""
    steps = [b - a for a, b in pairwise(scale.ticks)]
    decimals = 0 if all(step == round(step) for step in steps) else 1
    return tuple(
        Tick(round(scale.at(value), 2), number(value, decimals), value == 0)
        for value in scale.ticks
    )


def clock_ticks(over: Grid, text_of: Callable[[float], str]) -> tuple[Tick, ...]:
    """Return the times under the last panel: both ends, and round ones between.

    Args:
        over: The buckets.
        text_of: Writes a time, s since the run's zero.
    """
    start_s = float(over.first * over.unit_s)
    length_s = float(over.step_s * over.count)
    step_s = next(
        (each for each in CLOCK_STEPS_S if length_s / each <= MOST_CLOCKS),
        CLOCK_STEPS_S[-1],
    )
    inner = []
    for place in range(1, MOST_CLOCKS + 1):
        at_pct = place * step_s / length_s * 100.0
        if EDGE_PCT <= at_pct <= 100.0 - EDGE_PCT:
            inner.append(Tick(round(at_pct, 2), text_of(start_s + place * step_s)))
    ends = Tick(0.0, text_of(start_s)), Tick(100.0, text_of(start_s + length_s))
    return (ends[0], *inner, ends[1])


def thinned(column: Column, rows: int) -> list[float | None]:
    """Return the means of a column in at most so many rows.

    Args:
        column: Values.
        rows: At most so many, at least 1.
    """
    width = math.ceil(len(column.mean) / rows)
    starts = range(0, len(column.mean), width)
    return [_mean(column.mean[start : start + width]) for start in starts]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [each for each in values if each is not None]
    return sum(known) / len(known) if known else None
