"""One second of one channel, and of all of them.

Knows how samples at uneven times become n, min, max, last and an integral, and which
intervals may be integrated (the gap rule). Knows no channel's meaning.

The interval between two samples is booked whole in the tick in which it ends, so a
tick never waits for the next sample and no interval is counted twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

US_PER_S = 1_000_000
SECONDS_PER_HOUR = 3600.0

GAP_FLOOR_US = 5 * US_PER_S
"""No interval up to 5 s is a gap, however fast the source usually talks."""

GAP_PERIODS = 3
"""A source may miss two of its own beats before the time counts as unseen."""

LEARNED_PERIOD_LIMIT_US = 60 * US_PER_S
"""Beats slower than a minute have to be declared: three long holes in a row would
otherwise teach the counter that holes are normal."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What one channel did in one tick.

    Attributes:
        n: Samples seen, at least 1.
        low: Smallest sample, in the channel's unit.
        high: Largest sample, in the channel's unit.
        last: Newest sample, in the channel's unit.
        integral: Trapezoid over the counted intervals that ended here, unit times s.
        covered_us: Length of those intervals, microseconds.
    """

    n: int
    low: float
    high: float
    last: float
    integral: float = 0.0
    covered_us: int = 0

    @property
    def mean(self) -> float:
        """Time-weighted mean; the newest sample where no interval was counted."""
        if self.covered_us == 0:
            return self.last
        return self.integral * US_PER_S / self.covered_us


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of one channel that was not seen and not integrated."""

    channel: str
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class GapLimit:
    """From when on a longer silence of a channel is a gap.

    Given with the channel's first sample in a run, and again whenever a slower beat was
    learned. A channel whose intervals are integrated was therefore heard last at the
    first `since_us`, plus all the time that it covered, plus all its gaps.

    Attributes:
        channel: Name of the channel.
        since_us: Time of the sample that told it, microseconds since the run's zero.
        limit_us: The longest silence that is no gap, microseconds.
    """

    channel: str
    since_us: int
    limit_us: int


@dataclass(frozen=True, slots=True)
class Tick:
    """One second of a run in which at least one sample arrived.

    Attributes:
        index: Whole seconds since the run's zero.
        first_us: Time of the first sample, microseconds since the run's zero.
        last_us: Time of the newest sample, microseconds since the run's zero.
        cells: What each channel did, by channel name.
        gaps: Stretches that a sample of this tick brought to an end.
        limits: Gap limits that a sample of this tick told, in their order.
    """

    index: int
    first_us: int
    last_us: int
    cells: Mapping[str, Cell]
    gaps: tuple[Gap, ...] = ()
    limits: tuple[GapLimit, ...] = ()


@dataclass(frozen=True, slots=True)
class GapRule:
    """The longest interval of a channel that may be integrated.

    Attributes:
        max_gap_us: Declared limit; nothing is learned where it is set.
        period_us: Declared beat of the source; the limit follows from it.
    """

    max_gap_us: int | None = None
    period_us: int | None = None

    @property
    def start_limit_us(self) -> int:
        """The limit that holds until something is learned."""
        if self.max_gap_us is not None:
            return self.max_gap_us
        return max(GAP_FLOOR_US, GAP_PERIODS * (self.period_us or 0))

    @property
    def is_declared(self) -> bool:
        """True where the van file says the limit or the beat."""
        return self.max_gap_us is not None or self.period_us is not None


LEARNED = GapRule()
"""Nothing is declared: the beat is learned."""


@dataclass(slots=True)
class ChannelFold:
    """Folds the samples of one channel; is fed and answers, keeps no older sample.

    A beat is learned from three intervals in a row of about the same length, so that
    a source which slows down to one sample in 5 s while parked is not taken for dead.
    """

    channel: str
    rule: GapRule
    is_integrated: bool
    limit_us: int = field(init=False)
    n: int = 0
    low: float = 0.0
    high: float = 0.0
    integral: float = 0.0
    covered_us: int = 0
    latest: float = 0.0
    latest_us: int | None = None
    gaps: list[Gap] = field(default_factory=list)
    limits: list[GapLimit] = field(default_factory=list)
    _before: tuple[int, int] = (0, 0)

    def __post_init__(self) -> None:
        self.limit_us = self.rule.start_limit_us

    def add(self, t_us: int, value: float) -> None:
        """Take one sample.

        Args:
            t_us: Its time, microseconds since the run's zero. A sample of the same time
                as the newest one replaces it; an older one only counts as seen.
            value: Finite, in the channel's unit.
        """
        if self.n == 0:
            self.low = self.high = value
        elif value < self.low:
            self.low = value
        elif value > self.high:
            self.high = value
        self.n += 1
        if self.latest_us is None:
            self.latest_us, self.latest = t_us, value
            self.limits.append(GapLimit(self.channel, t_us, self.limit_us))
        elif t_us > self.latest_us:
            self._span(self.latest_us, t_us, value)
            self.latest_us, self.latest = t_us, value
        elif t_us == self.latest_us:
            self.latest = value

    def _span(self, start_us: int, end_us: int, value: float) -> None:
        dt_us = end_us - start_us
        if dt_us > self.limit_us:
            self._learn(dt_us, end_us)
        if dt_us > self.limit_us:
            self.gaps.append(Gap(self.channel, start_us, end_us))
        elif self.is_integrated:
            self.integral += (self.latest + value) * 0.5 * dt_us / US_PER_S
            self.covered_us += dt_us
        self._before = (self._before[1], dt_us)

    def _learn(self, dt_us: int, now_us: int) -> None:
        if self.rule.is_declared:
            return
        shortest, period_us, longest = sorted((*self._before, dt_us))
        if (
            period_us <= LEARNED_PERIOD_LIMIT_US
            and 2 * shortest >= period_us
            and 2 * longest <= 3 * period_us
        ):
            self.limit_us = GAP_PERIODS * period_us
            self.limits.append(GapLimit(self.channel, now_us, self.limit_us))

    @property
    def period_us(self) -> int:
        """The beat of the source: declared, or the shorter of the last two intervals.

        0 while unknown. One hole alone makes no slower beat.
        """
        if self.rule.period_us is not None:
            return self.rule.period_us
        known = [dt_us for dt_us in self._before if dt_us > 0]
        return min(min(known), LEARNED_PERIOD_LIMIT_US) if known else 0

    def silence(self, now_us: int) -> Gap | None:
        """Return the gap under way, if the channel has been silent for too long.

        Args:
            now_us: Time of the newest sample of any channel.
        """
        if self.latest_us is None or now_us - self.latest_us <= self.limit_us:
            return None
        return Gap(self.channel, self.latest_us, now_us)

    def close(self) -> Cell:
        """Return the cell of the tick that ends and begin the next one.

        Only meaningful after at least one sample was added in the tick.
        """
        cell = Cell(
            n=self.n,
            low=self.low,
            high=self.high,
            last=self.latest,
            integral=self.integral,
            covered_us=self.covered_us,
        )
        self.n = 0
        self.integral = 0.0
        self.covered_us = 0
        return cell
