"""What goes into the chain besides the items, and what comes out of it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from logger.core.ledger import Total
from logger.core.rollup import Minute, Quarter
from logger.core.soc import UNKNOWN, Count, PackSpec
from logger.core.tick import LEARNED, GapRule, Tick
from logger.core.trips import KEY_CHANNELS, KEY_SILENCE_US, Trip
from logger.decode.assembly import LongGroups
from logger.decode.descriptions import MessageTable
from logger.decode.fault_codes import FaultFamily
from logger.decode.frames import Reason
from logger.decode.text_lines import Form
from logger.quantities import Channel

COUNTED = "pack.current_a"
"""The current whose integral is the count."""

SOC_CELLS = (
    "pack.soc_pct",
    "pack.soc_low_pct",
    "pack.soc_high_pct",
    "pack.soc_counted_pct",
)
"""The channels that the count itself adds to a second."""

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
        only: Places of other values of the message, and what they have to be for this
            one to count: one of several boxes that send the same message.
        address: Source address (29 bits) or node (11 bits) of the only sender that
            counts; None for any.
    """

    channel: Channel
    slot: int
    scale: float = 1.0
    offset: float = 0.0
    codes: Mapping[str, float] | None = None
    missing: frozenset[float] = frozenset()
    rank: int = 1
    rule: GapRule = LEARNED
    only: tuple[tuple[int, float], ...] = ()
    address: int | None = None


@dataclass(frozen=True, slots=True)
class BookingSpec:
    """What has to be known of a van to book its seconds: no frame and no feed.

    Attributes:
        pack: The pack; None where nothing is counted.
        start: Where the count begins.
        is_start_reported: The first reported state of charge is the start.
        is_current_fed: A box reports the current that is counted.
        key_channel: The channel that tells a trip; None where there is none.
        key_silence_us: How long that channel may be silent during a trip.
    """

    pack: PackSpec | None = None
    start: Count = UNKNOWN
    is_start_reported: bool = False
    is_current_fed: bool = False
    key_channel: str | None = None
    key_silence_us: int = KEY_SILENCE_US

    def fed_by(self, rules: Mapping[str, GapRule]) -> "BookingSpec":
        """Return the same for a van whose boxes feed some channels.

        Args:
            rules: The gap rule of each fed channel, by its name.
        """
        key = next((name for name in KEY_CHANNELS if name in rules), None)
        declared_us = 0 if key is None else rules[key].start_limit_us
        return replace(
            self,
            is_current_fed=COUNTED in rules,
            key_channel=key,
            key_silence_us=max(KEY_SILENCE_US, declared_us),
        )


@dataclass(frozen=True, slots=True)
class PipelineSpec:
    """What the chain has to know of a van.

    Attributes:
        messages: How frames find their decoder, by bus name.
        message_feeds: The feeds of each message, by bus and message name.
        long_groups: The groups that come in parts, by bus name.
        faults: Whose fault codes are listened for, by bus name.
        table_feeds: The feeds of each table's rows, by table name.
        lines: The kinds of line of each port, by port name.
        line_feeds: The feeds of each kind of line, by port and line name.
        told: Names of the channels that a person tells by hand.
        pack: The pack; None where nothing is counted.
        start: Where the count begins.
        is_start_reported: The first reported state of charge is the start.
        metres_per_motor_turn: Way per turn of the motor shaft, m; None if not known.
    """

    messages: Mapping[str, MessageTable] = field(default_factory=dict)
    message_feeds: Mapping[tuple[str, str], tuple[Feed, ...]] = field(
        default_factory=dict
    )
    long_groups: Mapping[str, LongGroups] = field(default_factory=dict)
    faults: Mapping[str, frozenset[FaultFamily]] = field(default_factory=dict)
    table_feeds: Mapping[str, tuple[Feed, ...]] = field(default_factory=dict)
    lines: Mapping[str, tuple[Form, ...]] = field(default_factory=dict)
    line_feeds: Mapping[tuple[str, str], tuple[Feed, ...]] = field(default_factory=dict)
    told: tuple[str, ...] = ()
    pack: PackSpec | None = None
    start: Count = UNKNOWN
    is_start_reported: bool = False
    metres_per_motor_turn: float | None = None

    def booking(self) -> BookingSpec:
        """Return the part of it that books seconds."""
        rules: dict[str, GapRule] = {}
        for feed in self.feeds():
            rules.setdefault(feed.channel.name, feed.rule)
        own = BookingSpec(self.pack, self.start, self.is_start_reported)
        return own.fed_by(rules)

    def feeds(self) -> Iterator[Feed]:
        """Yield every feed of every source."""
        of_all = (self.message_feeds, self.table_feeds, self.line_feeds)
        for of_one in of_all:
            for feeds in of_one.values():
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
class Balance:
    """What the run has come to: asked for at any time, and given at its end.

    Attributes:
        t_us: Newest moment that it covers, microseconds since the run's zero.
        totals: Each account's integral over the run, by channel name.
        count: How far the count has come.
        sigma_pct: One standard deviation of it, points; None without a pack.
        refusals: Everything that was refused, in order of first appearance.
        unmatched_frames: Frames that no description with a feed knows.
        unmatched_lines: Lines that no description knows.
        newest_entry: Number of the newest entry of the desk that was booked.
        trip: The trip under way, so far; None while there is none.
    """

    t_us: int
    totals: Mapping[str, Total]
    count: Count
    sigma_pct: float | None
    refusals: tuple[Refusal, ...] = ()
    unmatched_frames: int = 0
    unmatched_lines: int = 0
    newest_entry: int = 0
    trip: Trip | None = None


@dataclass(frozen=True, slots=True)
class Remark:
    """Something worth a line in the log that is no reading.

    Attributes:
        t_us: When, microseconds since the run's zero.
        kind: What kind of thing.
        text: What, in words, with values and units.
    """

    t_us: int
    kind: str
    text: str


Output = Tick | Minute | Quarter | Trip | Balance | Remark
