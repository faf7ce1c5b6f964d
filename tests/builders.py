"""Small builders that the tests of the pure rooms share."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from hypothesis import HealthCheck, settings

from logger.core.soc import Count
from logger.core.tick import (
    LEARNED,
    SECONDS_PER_HOUR,
    US_PER_S,
    Cell,
    ChannelFold,
    Gap,
    GapRule,
    Tick,
)
from logger.core.trips import Trip
from logger.decode.descriptions import (
    DescribedMessage,
    Form,
    Match,
    MessageTable,
    message_key,
    read_description,
)
from logger.decode.frames import Frame, Item, Rejected, Row, Values
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Feed, Output, PipelineSpec
from logger.quantities import Channel, find_channel

LAW = settings(
    deadline=None,
    max_examples=100,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
"""For property tests: the same examples every time, at any speed of the machine, so
that a red check is no luck."""


def us(seconds: float) -> int:
    """Return seconds as whole microseconds."""
    return round(seconds * US_PER_S)


def channel(name: str) -> Channel:
    """Return a channel that must exist."""
    found = find_channel(name)
    assert found is not None, name
    return found


def folded(
    samples: Iterable[tuple[float, float]],
    rule: GapRule = LEARNED,
    is_integrated: bool = True,
) -> tuple[Cell, list[Gap]]:
    """Return what samples, in s and the channel's unit, come to in one cell."""
    fold = ChannelFold("pack.current_a", rule, is_integrated)
    for t_s, value in samples:
        fold.add(us(t_s), value)
    return fold.close(), fold.gaps


def tick(index: int, integrals: Mapping[str, float] | None = None, *gaps: Gap) -> Tick:
    """Return one whole second in which each channel's integral is given.

    The value of each sample is the integral, as if it had held for the second.
    """
    cells = {
        name: Cell(1, value, value, value, value, US_PER_S)
        for name, value in (integrals or {}).items()
    }
    start_us = index * US_PER_S
    return Tick(index, start_us, start_us + US_PER_S // 2, cells, gaps)


def orderly(tick: Tick) -> Tick:
    """Return a tick with its gaps and limits in an order that says nothing."""
    return replace(
        tick,
        gaps=tuple(sorted(tick.gaps, key=lambda gap: (gap.channel, gap.start_us))),
        limits=tuple(sorted(tick.limits, key=lambda at: (at.channel, at.since_us))),
    )


def dbc(layouts: Sequence[str], frame_id: int = 256, length: int = 8) -> str:
    """Return a DBC text with one message `Box` of signals `S0`, `S1`, `S2`.

    Args:
        layouts: For example `8|16@1- (0.1,-40)`, or `m0 : 8|16@1+ (1,0)` with what
            stands between name and colon.
        frame_id: As a DBC writes it, with bit 31 set for a 29-bit identifier.
        length: Bytes of the payload.
    """
    signals = [
        f" SG_ S{number} {layout if ' : ' in layout else f': {layout}'} [0|0] "
        '"" Vector__XXX'
        for number, layout in enumerate(layouts)
    ]
    head = f'VERSION ""\n\nBU_:\n\nBO_ {frame_id} Box: {length} Vector__XXX\n'
    return head + "\n".join(signals) + "\n"


@lru_cache
def described(text: str) -> DescribedMessage:
    """Return the only message of a DBC text."""
    (message,) = read_description(text, Form.DBC)
    return message


def decoded(text: str, payload: str) -> dict[str, float | int | None] | Rejected:
    """Return what a payload in hex means by signal name, or its refusal."""
    message = described(text)
    values: Values | Rejected = message.decode(bytes.fromhex(payload))
    if isinstance(values, Rejected):
        return values
    return dict(zip(message.signals, values, strict=True))


def frame(t_s: float, payload: str, can_id: int = 256, bus: str = "drive") -> Frame:
    """Return a frame with a payload in hex; above 0x7FF the identifier has 29 bits."""
    data = bytes.fromhex(payload)
    return Frame(us(t_s), us(t_s), bus, can_id, can_id > 0x7FF, data)


def box_spec(text: str, *feeds: Feed) -> PipelineSpec:
    """Return a van with one bus `drive` whose only message, `Box`, has these feeds."""
    message = described(text)
    key = message_key(message, Match.IDENTIFIER)
    return PipelineSpec(
        messages={"drive": MessageTable([(key, message)])},
        message_feeds={("drive", message.name): feeds},
    )


def table_spec(*names: str) -> PipelineSpec:
    """Return a van with one table `trip` whose columns feed these channels."""
    feeds = tuple(Feed(channel(name), slot) for slot, name in enumerate(names))
    return PipelineSpec(table_feeds={"trip": feeds})


def rows(*timed: tuple[float | str | None, ...]) -> list[Item]:
    """Return rows of the table `trip`: the time in s, then one cell a column."""
    items: list[Item] = []
    for t_s, *cells in timed:
        texts = tuple(None if cell is None else str(cell) for cell in cells)
        items.append(Row(us(float(t_s or 0.0)), len(items), "trip", texts))
    return items


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a whole run came to."""

    outputs: tuple[Output, ...]

    @property
    def ticks(self) -> list[Tick]:
        """The seconds, in order."""
        return [each for each in self.outputs if isinstance(each, Tick)]

    @property
    def trips(self) -> list[Trip]:
        """The trips, in order."""
        return [each for each in self.outputs if isinstance(each, Trip)]

    @property
    def gaps(self) -> list[Gap]:
        """Every stretch that was not seen."""
        return [gap for each in self.ticks for gap in each.gaps]

    @property
    def closing(self) -> Balance:
        """The closing, which comes last."""
        last = self.outputs[-1]
        assert isinstance(last, Balance)
        return last

    def integral(self, name: str) -> float:
        """Return a channel's integral over the run, its unit times s."""
        return sum(t.cells[name].integral for t in self.ticks if name in t.cells)

    def hours(self, name: str) -> float:
        """Return a channel's integral over the run, its unit times hours."""
        return self.integral(name) / SECONDS_PER_HOUR

    def last(self, name: str) -> list[float]:
        """Return the newest sample of every second that has one."""
        return [t.cells[name].last for t in self.ticks if name in t.cells]

    def counts(self, name: str) -> int:
        """Return how many samples of a channel were taken."""
        return sum(t.cells[name].n for t in self.ticks if name in t.cells)


def run(
    spec: PipelineSpec, items: Iterable[Item], carried: Count | None = None
) -> Outcome:
    """Run items through the chain of a van, from begin to end."""
    pipeline = Pipeline(spec, carried)
    outputs = pipeline.feed(items)
    return Outcome((*outputs, *pipeline.finish()))
