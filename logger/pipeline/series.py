"""Feeds tied to channels: how one raw value becomes a reading, and who is listened to.

Two boxes may feed one channel. The better-ranked is used while it talks; the next one
only when every better one has been silent for more than half the channel's gap limit
and for one and a half of its own beats.
"""

import math
from dataclasses import dataclass, field

from logger.core.derived import Derived, derive
from logger.core.scaling import scaled
from logger.core.tick import (
    LEARNED_PERIOD_LIMIT_US,
    US_PER_S,
    Cell,
    ChannelFold,
    GapRule,
)
from logger.decode.frames import Reason
from logger.pipeline.spec import Feed, PipelineSpec
from logger.quantities import find_channel

TOLD = "told by hand"
"""The source of what no box reports and a person entered."""

HOLDS = GapRule(max_gap_us=1 << 62)
"""What was told holds until it is told otherwise: no silence is a gap."""

SLOWEST_BEAT_US = LEARNED_PERIOD_LIMIT_US
"""A longer time between two values is a hole, not a beat."""


@dataclass(slots=True)
class Series:
    """One channel under way: its fold and what has to be worked out from it.

    Attributes:
        fold: Its samples, before the factor.
        factor: What its seconds are scaled by; None where samples are taken as such.
        source: Where the newest one came from.
        followers: What is worked out from it.
        parts: Names of the channels that it is worked out from.
        refused_us: When a sample was last refused, microseconds since the run's zero.
        refused: What that sample looked like.
    """

    fold: ChannelFold
    factor: float | None = None
    source: str = ""
    followers: list["Follower"] = field(default_factory=list)
    parts: tuple[str, ...] = ()
    refused_us: int | None = None
    refused: str = ""
    _recent: tuple[tuple[float, int], tuple[float, int]] = ((0.0, 0), (0.0, 0))

    def close(self) -> Cell:
        """Return the cell of the second that ends and begin the next one."""
        cell = self.fold.close()
        if self.factor is not None:
            cell = scaled(cell, self.factor)
        self._recent = (self._recent[1], (cell.integral, cell.covered_us))
        return cell

    @property
    def newest(self) -> float:
        """The newest sample; meaningful once there was one."""
        return self.fold.latest * (1.0 if self.factor is None else self.factor)

    @property
    def mean(self) -> float | None:
        """Mean over the last two seconds with samples; None if nothing was counted."""
        covered_us = sum(covered_us for _, covered_us in self._recent)
        if covered_us == 0:
            return None
        return sum(part for part, _ in self._recent) * US_PER_S / covered_us


@dataclass(frozen=True, slots=True)
class Follower:
    """One derived channel, tied to the series it is made of."""

    row: Derived
    held: Series | None
    result: Series


@dataclass(slots=True)
class Binding:
    """One feed, tied to its series and to the feeds that go before it."""

    feed: Feed
    series: Series
    source: str
    low: float
    high: float
    codes: frozenset[float]
    better: tuple["Binding", ...] = ()
    heard_us: int | None = None
    beat_us: int = 0

    def hear(self, t_us: int) -> None:
        """Note a value of this feed, used or not, and the beat that it keeps."""
        if self.heard_us is not None and 0 < t_us - self.heard_us <= SLOWEST_BEAT_US:
            self.beat_us = t_us - self.heard_us
        self.heard_us = t_us

    def refuse(self, t_us: int, raw: str) -> None:
        """Note a value that was refused, unless another box feeds the channel."""
        if self.series.source in ("", self.source):
            self.series.refused_us, self.series.refused = t_us, raw

    def is_silent(self, t_us: int) -> bool:
        """Return whether a lower-ranked feed may speak instead.

        It may after half the gap limit, so that a box that talks all the while can take
        over before the time becomes a gap, but not between two beats of a slow box.
        """
        if self.heard_us is None:
            return True
        limit_us = max(self.series.fold.limit_us // 2, self.beat_us * 3 // 2)
        return t_us - self.heard_us > limit_us


@dataclass(slots=True)
class Bindings:
    """Every channel of a van under way, and the bindings of each source.

    Attributes:
        series: By channel name, the fed ones and those worked out from them.
        messages: Bindings by bus and message name.
        tables: Bindings by table name.
        lines: Bindings by port and line name.
        told: Bindings of what a person tells, by channel name.
    """

    series: dict[str, Series] = field(default_factory=dict)
    messages: dict[tuple[str, str], tuple[Binding, ...]] = field(default_factory=dict)
    tables: dict[str, tuple[Binding, ...]] = field(default_factory=dict)
    lines: dict[tuple[str, str], tuple[Binding, ...]] = field(default_factory=dict)
    told: dict[str, Binding] = field(default_factory=dict)


def bind(spec: PipelineSpec) -> Bindings:
    """Return the channels and bindings of a van, with nothing heard yet."""
    bound = Bindings()
    fed: dict[str, list[Binding]] = {}

    def tie(source: str, feeds: tuple[Feed, ...]) -> tuple[Binding, ...]:
        tied = []
        for feed in sorted(feeds, key=lambda each: each.rank):
            quantity = feed.channel.quantity
            series = _series(bound, feed.channel.name, feed.rule, not quantity.is_coded)
            codes = frozenset(float(code.number) for code in quantity.codes)
            binding = Binding(feed, series, source, quantity.low, quantity.high, codes)
            fed.setdefault(feed.channel.name, []).append(binding)
            tied.append(binding)
        return tuple(tied)

    bound.messages = {
        key: tie(" ".join(key), feeds) for key, feeds in spec.message_feeds.items()
    }
    bound.tables = {key: tie(key, feeds) for key, feeds in spec.table_feeds.items()}
    bound.lines = {
        key: tie(" ".join(key), feeds) for key, feeds in spec.line_feeds.items()
    }
    for found in filter(None, map(find_channel, spec.told)):
        (bound.told[found.name],) = tie(TOLD, (Feed(found, 0, rule=HOLDS),))
        bound.series[found.name].source = TOLD
    for bindings in fed.values():
        for binding in bindings:
            binding.better = tuple(
                other for other in bindings if other.feed.rank < binding.feed.rank
            )
    for row in derive(fed, spec.metres_per_motor_turn):
        trigger = bound.series[row.trigger]
        result = _series(bound, row.result, trigger.fold.rule, True)
        result.parts = tuple(
            name
            for factor in row.factors
            for name in (factor, *bound.series[factor].parts)
        )
        result.factor = row.factor if row.is_scaled else None
        result.source = "worked out from " + " and ".join(row.factors)
        held = None if row.held is None else bound.series[row.held]
        trigger.followers.append(Follower(row, held, result))
    return bound


def _series(bound: Bindings, name: str, rule: GapRule, is_integrated: bool) -> Series:
    if name not in bound.series:
        bound.series[name] = Series(ChannelFold(name, rule, is_integrated))
    return bound.series[name]


def reading(raw: float | str, binding: Binding) -> float | Reason | None:
    """Return the reading of one raw value, why it is refused, or None for "no value".

    Args:
        raw: A number, or the text of a table's cell.
        binding: How to turn it into its channel.
    """
    feed = binding.feed
    number = _number(raw)
    if feed.missing and any(math.isclose(number, each) for each in feed.missing):
        return None
    if feed.codes is not None:
        text = f"{number:.12g}" if math.isfinite(number) else str(raw)
        code = feed.codes.get(text)
        return Reason.NO_SUCH_CODE if code is None else code
    return plausible(number * feed.scale + feed.offset, binding)


def plausible(value: float, binding: Binding) -> float | Reason:
    """Return a value in its channel's unit, or why it is refused."""
    if not math.isfinite(value):
        return Reason.NOT_A_NUMBER
    if binding.codes and value not in binding.codes:
        return Reason.NO_SUCH_CODE
    return value if binding.low <= value <= binding.high else Reason.IMPLAUSIBLE


def _number(raw: float | str) -> float:
    """Return a raw value as a float; NaN for what is none or has no room in one."""
    if isinstance(raw, str) and "_" in raw:
        return math.nan  # Python reads 1_000 as a number, no logger writes it
    try:
        return float(raw)
    except (ValueError, OverflowError):
        return math.nan
