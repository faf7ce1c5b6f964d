"""What goes into the chain besides the items, and what comes out of it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from logger.core.ledger import Total
from logger.core.rollup import Minute
from logger.core.soc import UNKNOWN, Count, PackSpec
from logger.core.tick import LEARNED, GapRule, Tick
from logger.core.trips import Trip
from logger.decode.descriptions import MessageTable
from logger.decode.frames import Reason
from logger.quantities import Channel

REPORTED_SOC = "meter.soc_pct"
"""The state of charge that a box of the van shows; a start may be taken from it."""


@dataclass(frozen=True, slots=True)
class Feed:
    """How one decoded value becomes a reading of a channel.

    Attributes:
        channel: The channel that it feeds.
        slot: Place of the value in its message or row.
        scale: Factor to the channel's unit and sign.
        offset: Added after the factor, in the channel's unit.
        codes: For coded channels: the device's value, as text, to our code.
        missing: Values of the device, as numbers, that mean "no value".
        rank: 1 is used first; a higher number only while all lower ones are silent.
        rule: Which intervals may be integrated.
    """

    channel: Channel
    slot: int
    scale: float = 1.0
    offset: float = 0.0
    codes: Mapping[str, float] | None = None
    missing: frozenset[float] = frozenset()
    rank: int = 1
    rule: GapRule = LEARNED


@dataclass(frozen=True, slots=True)
class PipelineSpec:
    """What the chain has to know of a van.

    Attributes:
        messages: How frames find their decoder, by bus name.
        message_feeds: The feeds of each message, by bus and message name.
        table_feeds: The feeds of each table's rows, by table name.
        pack: The pack; None where nothing is counted.
        start: Where the count begins.
        is_start_reported: The first reported state of charge is the start.
        metres_per_motor_turn: Way per turn of the motor shaft, m; None if not known.
    """

    messages: Mapping[str, MessageTable] = field(default_factory=dict)
    message_feeds: Mapping[tuple[str, str], tuple[Feed, ...]] = field(
        default_factory=dict
    )
    table_feeds: Mapping[str, tuple[Feed, ...]] = field(default_factory=dict)
    pack: PackSpec | None = None
    start: Count = UNKNOWN
    is_start_reported: bool = False
    metres_per_motor_turn: float | None = None

    def feeds(self) -> Iterator[Feed]:
        """Yield every feed of every source."""
        for feeds in (*self.message_feeds.values(), *self.table_feeds.values()):
            yield from feeds


@dataclass(frozen=True, slots=True)
class Refusal:
    """How often one thing was refused at one place, and what it last looked like."""

    place: str
    reason: Reason
    n: int
    first_us: int
    last_us: int
    sample: str


@dataclass(frozen=True, slots=True)
class Closing:
    """What the run came to, given once at its end.

    Attributes:
        totals: Each account's integral over the run, by channel name.
        count: How far the count has come.
        sigma_pct: One standard deviation of it, points; None without a pack.
        refusals: Everything that was refused, in order of first appearance.
        unmatched_frames: Frames that no description with a feed knows.
    """

    totals: Mapping[str, Total]
    count: Count
    sigma_pct: float | None
    refusals: tuple[Refusal, ...]
    unmatched_frames: int


Output = Tick | Minute | Trip | Closing
