"""Watches readings second by second for what their age does not show.

Two boxes that tell one thing and stay apart disagree. A value that never changes while
the thing it must follow swings widely is frozen. Knows pairs of channels as data, ticks
and nothing else; health consults it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.core.health import PAIRS, Pair
from logger.core.tick import US_PER_S, Cell

DISAGREEING_AFTER_US = 10 * US_PER_S
"""Apart for less than this may be two moments of one change (design judgement)."""

FORGOTTEN_AFTER_US = 60 * US_PER_S
"""Where one of two boxes has been silent for that long, nothing is known of how they
agree now (design judgement)."""

FROZEN_AFTER_US = 60 * US_PER_S
"""A sound sensor does not repeat itself for a minute after its load began to swing
(design judgement)."""


@dataclass(frozen=True, slots=True)
class Follows:
    """A channel that must move when another one does.

    Attributes:
        channel: The one that may be frozen.
        leader: The one that it must follow.
        swing: How far the leader has to move, in its unit, to prove it.
    """

    channel: str
    leader: str
    swing: float


FOLLOWERS = (
    Follows("pack.current_a", "motor.speed_rpm", 500.0),
    Follows("pack.current_a", "road.speed_mps", 5.0),
    Follows("pack.voltage_v", "pack.current_a", 30.0),
    Follows("road.speed_mps", "motor.speed_rpm", 500.0),
    Follows("meter.voltage_v", "pack.current_a", 30.0),
)
"""What cannot stand still (common practice, no source)."""


@dataclass(slots=True)
class _Apart:
    """From when to when one pair was seen apart; None while it agrees."""

    since_us: int | None = None
    now_us: int = 0


@dataclass(slots=True)
class _Still:
    """Since when one channel has repeated itself though its leader swung."""

    value: float | None = None
    since_us: int = 0
    now_us: int = 0
    low: float = 0.0
    high: float = 0.0
    is_led: bool = False


@dataclass(slots=True)
class Watch:
    """Is fed the cells of every second, and answers about a channel."""

    _apart: dict[Pair, _Apart] = field(default_factory=dict)
    _still: dict[Follows, _Still] = field(default_factory=dict)

    def see(self, cells: Mapping[str, Cell], now_us: int) -> None:
        """Take what every channel did in one second.

        Args:
            cells: By channel name.
            now_us: The second's newest sample, microseconds since the run's zero.
        """
        for pair in PAIRS:
            self._see_pair(pair, cells, now_us)
        for row in FOLLOWERS:
            self._see_follower(row, cells, now_us)

    def disagrees_with(self, channel: str) -> str | None:
        """Return the channel that one has disagreed with for some time, or None."""
        for pair, apart in self._apart.items():
            if (
                apart.since_us is None
                or apart.now_us - apart.since_us < DISAGREEING_AFTER_US
            ):
                continue
            if channel == pair.first:
                return pair.second
            if channel == pair.second:
                return pair.first
        return None

    def is_frozen(self, channel: str) -> bool:
        """Return whether a channel repeats itself while what it follows swings."""
        return any(
            still.is_led and still.now_us - still.since_us >= FROZEN_AFTER_US
            for row, still in self._still.items()
            if row.channel == channel
        )

    def _see_pair(self, pair: Pair, cells: Mapping[str, Cell], now_us: int) -> None:
        first, second = cells.get(pair.first), cells.get(pair.second)
        apart = self._apart.setdefault(pair, _Apart())
        if first is None or second is None:
            # Only what is heard in the same second can be compared.
            if now_us - apart.now_us > FORGOTTEN_AFTER_US:
                apart.since_us = None
            return
        apart.now_us = now_us
        if pair.agrees(first.last, second.last):
            apart.since_us = None
        elif apart.since_us is None:
            apart.since_us = now_us

    def _see_follower(
        self, row: Follows, cells: Mapping[str, Cell], now_us: int
    ) -> None:
        cell, leader = cells.get(row.channel), cells.get(row.leader)
        if cell is None:
            return
        still = self._still.setdefault(row, _Still())
        still.now_us = now_us
        if not cell.low == cell.high == still.value:
            self._still[row] = _Still(cell.last, now_us, now_us)
        elif leader is not None:
            was_led = still.is_led
            still.low = min(still.low, leader.low) if was_led else leader.low
            still.high = max(still.high, leader.high) if was_led else leader.high
            still.is_led = True
            if not was_led or still.high - still.low < row.swing:
                # However long the van was parked before: the load moves only now.
                still.since_us = now_us
