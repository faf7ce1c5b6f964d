"""A made-up recording: what a logger hands to its writer, second by second.

The invented van drives for some seconds, then stands and is heard once in half a
minute, so that quarters of an hour come to an end within a few hundred batches.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from random import Random

from logger.core.ledger import Total
from logger.core.rollup import (
    TICKS_PER_MINUTE,
    TICKS_PER_QUARTER,
    Minute,
    Quarter,
)
from logger.core.tick import US_PER_S, Gap, Tick
from logger.core.trips import Trip
from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Remark
from logger.store.reader import Log
from logger.store.rows import Batch, Event, Pin
from tests.pipeline.boxes import line_spec

CHANNELS = ("pack.current_a", "pack.voltage_v", "motor.speed_rpm", "key.on")
DRIVING_S = 40
PARKED_BEAT_S = 30
BALANCE_S = 10
HARNESS_EVENTS = ("date set", "cut off")
"""Events that do not come out of the recording."""

SHEDDABLE = ("frames", "seconds", "minutes", "quarters")

Rolled = tuple[int, str, int, float]
"""A minute or a quarter: index, channel, samples, newest one."""


@dataclass(frozen=True, slots=True)
class Content:
    """What a log holds of one run, or should; equal means equal to the bit."""

    ticks: tuple[bytes, ...] = ()
    raw: tuple[Raw, ...] = ()
    events: tuple[tuple[int, str, str], ...] = ()
    minutes: tuple[Rolled, ...] = ()
    quarters: tuple[Rolled, ...] = ()
    gaps: tuple[Gap, ...] = ()
    trips: tuple[Trip, ...] = ()
    totals: frozenset[tuple[str, Total]] = frozenset()
    pins: tuple[Pin, ...] = ()

    def is_within(self, whole: "Content") -> bool:
        """Return whether all of it is in another content, and all else is the same."""
        rows = ("ticks", "raw", "minutes", "quarters")
        rest = {name: getattr(whole, name) for name in rows}
        return replace(self, **rest) == whole and all(
            set(getattr(self, name)) <= set(getattr(whole, name)) for name in rows
        )

    def as_far_as(self, whole: "Content") -> "Content":
        """Return it without what a new writer makes of the seconds of a cut-off run.

        The minute, the quarter of an hour and the trip under way are made whole.
        """
        return replace(
            self,
            minutes=tuple(row for row in self.minutes if row in set(whole.minutes)),
            quarters=tuple(row for row in self.quarters if row in set(whole.quarters)),
            trips=self.trips[: len(whole.trips)],
        )

    def without(self, shed: Mapping[str, int]) -> "Content":
        """Return what has to be left of it once some was let go.

        Args:
            shed: Up to when frames, seconds, minutes or quarters were let go,
                microseconds since the run's zero.
        """
        until_us = {what: shed.get(what, -(1 << 62)) for what in SHEDDABLE}
        return replace(
            self,
            ticks=tuple(
                tick
                for tick in self.ticks
                if index_of(tick) * US_PER_S >= until_us["seconds"]
            ),
            raw=tuple(
                item
                for item in self.raw
                if item.t_us > until_us["frames"]
                # A note pins what is still there; some may have gone before it came.
                or any(
                    pin.start_us <= item.t_us <= pin.end_us
                    for pin in self.pins
                    if pin.why != "note"
                )
            ),
            minutes=_since(self.minutes, TICKS_PER_MINUTE, until_us["minutes"]),
            quarters=_since(self.quarters, TICKS_PER_QUARTER, until_us["quarters"]),
        )


def _since(
    rolled: "tuple[Rolled, ...]", seconds: int, until_us: int
) -> "tuple[Rolled, ...]":
    return tuple(row for row in rolled if row[0] * seconds * US_PER_S >= until_us)


def index_of(image: bytes) -> int:
    """Return which second it was, of a tick as bytes."""
    return int(struct.unpack_from("<q", image)[0])


def exactly(tick: Tick) -> bytes:
    """Return a tick as bytes: all of it but its gaps, to the last bit."""
    image = struct.pack("<qqq", tick.index, tick.first_us, tick.last_us)
    for name, cell in sorted(tick.cells.items()):
        image += name.encode() + struct.pack(
            "<qddddq", cell.n, cell.low, cell.high, cell.last, cell.integral,
            cell.covered_us,
        )  # fmt: skip
    return image


def stored(log: Log, run: int) -> Content:
    """Return what a log holds of a run."""
    named = sorted(log.channels.items(), key=lambda item: item[1])
    return Content(
        ticks=tuple(exactly(tick) for tick in log.ticks(run)),
        raw=tuple(log.raw(run)),
        events=tuple(
            (event.t_us, event.kind, event.text)
            for event in log.events(run)
            if event.kind not in HARNESS_EVENTS
        ),
        minutes=tuple(
            (index, name, cell.n, cell.last)
            for _, name in named
            for index, cell in log.minutes(run, name)
        ),
        quarters=tuple(
            (index, name, cell.n, cell.last)
            for _, name in named
            for index, cell in log.quarters(run, name)
        ),
        gaps=tuple(sorted(log.gaps(run), key=lambda gap: (gap.channel, gap.start_us))),
        trips=tuple(log.trips(run)),
        totals=frozenset(log.totals(run).items()),
        pins=tuple(
            Pin(*row)
            for row in log.connection.execute(
                "SELECT start_us, end_us, why FROM pin WHERE run = ? ORDER BY 1, 2, 3",
                (run,),
            )
        ),
    )


def shed_of(log: Log, run: int) -> dict[str, int]:
    """Return up to when something of a run was let go, by what it was."""
    return dict(
        log.connection.execute("SELECT what, until_us FROM shed WHERE run = ?", (run,))
    )


@dataclass(slots=True)
class Recording:
    """Batches as a logger hands them over, one a second in which it hears something.

    Attributes:
        batches: In their order; the last one ends the run.
        end_us: The newest moment, microseconds since the run's zero.
    """

    batches: tuple[Batch, ...]
    end_us: int
    _contents: dict[int, Content] = field(default_factory=dict)

    def content(self, count: int) -> Content:
        """Return what a log should hold once the first batches are stored."""
        if count not in self._contents:
            self._contents[count] = _content(self.batches[:count])
        return self._contents[count]


def _content(batches: tuple[Batch, ...]) -> Content:
    outputs = [output for batch in batches for output in batch.outputs]
    ticks = [output for output in outputs if isinstance(output, Tick)]
    trips: dict[int, Trip] = {}
    totals: dict[str, Total] = {}
    for output in outputs:
        trip = output.trip if isinstance(output, Balance) else output
        if isinstance(trip, Trip):
            trips[trip.start_us] = trip
        if isinstance(output, Balance):
            totals |= output.totals
    told = [(o.t_us, o.kind, o.text) for o in outputs if isinstance(o, Remark)]
    events = [(e.t_us, e.kind, e.text) for batch in batches for e in batch.events]
    return Content(
        ticks=tuple(map(exactly, ticks)),
        raw=tuple(item for batch in batches for item in batch.raw),
        events=tuple(sorted(told + events)),
        minutes=_rolled([each for each in outputs if isinstance(each, Minute)]),
        quarters=_rolled([each for each in outputs if isinstance(each, Quarter)]),
        gaps=tuple(
            sorted(
                (gap for tick in ticks for gap in tick.gaps),
                key=lambda gap: (gap.channel, gap.start_us),
            )
        ),
        trips=tuple(trip for _, trip in sorted(trips.items())),
        totals=frozenset(totals.items()),
        pins=_pinned(batches, told + events),
    )


def _pinned(
    batches: tuple[Batch, ...], events: list[tuple[int, str, str]]
) -> tuple[Pin, ...]:
    """Return what was pinned; a note pins ten minutes before it and one after."""
    pins = {pin for batch in batches for pin in batch.pins}
    for t_us, kind, _ in events:
        if kind == "note":
            pins.add(Pin(t_us - 600 * US_PER_S, t_us + 60 * US_PER_S, "note"))
    return tuple(sorted(pins, key=lambda pin: (pin.start_us, pin.end_us, pin.why)))


def _rolled(rolled: list[Minute] | list[Quarter]) -> tuple[Rolled, ...]:
    rows = [
        (each.index, name, cell.n, cell.last)
        for each in rolled
        for name, cell in each.cells.items()
    ]
    return tuple(sorted(rows, key=lambda row: (row[1], row[0])))


def van_text() -> str:
    """Return the van file that recordings are counted by."""
    fields = [f"f{place}" for place in range(len(CHANNELS))]
    head = (
        '[van]\nname = "Dunlin"\n'
        '[[port]]\nname = "meter"\ndevice = "/dev/null"\n'
        f'[[line]]\nname = "main"\nport = "meter"\ncolumns = {fields}\n'
    )
    feeds = [
        f'[[feed]]\nchannel = "{name}"\nport = "meter"\nline = "main"\n'
        f'field = "{field}"\n'
        for name, field in zip(CHANNELS, fields, strict=True)
    ]
    return head + "".join(feeds)


@cache
def made_up(seed: int, seconds: int) -> Recording:
    """Return a recording of that many batches, the same for the same seed."""
    rng = Random(seed)
    pipeline = Pipeline(line_spec(*CHANNELS))
    batches = []
    second, seq = 0, 0
    for number in range(seconds):
        raw = _heard(second, seq, number, rng)
        seq = raw[-1].seq + 1
        outputs = pipeline.feed(raw)
        if number % BALANCE_S == 0:
            outputs.append(pipeline.balance())
        events = []
        if number % 17 == 3:
            events.append(Event(second * US_PER_S, "source lost", f"meter, {number}"))
        pins = []
        if number % 40 == 39:
            pins.append(Pin(raw[0].t_us, raw[-1].t_us + 3 * US_PER_S, "a test"))
        batches.append(Batch(outputs, raw, events, pins))
        is_driving = number % (2 * DRIVING_S) < DRIVING_S
        second += 1 if is_driving else PARKED_BEAT_S
    last = Batch(pipeline.finish())
    return Recording((*batches, last), pipeline.newest_us)


def _heard(second: int, seq: int, number: int, rng: Random) -> list[Raw]:
    """Return what comes in over one second."""
    start_us = second * US_PER_S
    raw: list[Raw] = [Beat(start_us, seq)]
    is_on = number % 60 < DRIVING_S
    for tenth in range(0, 10, 3):
        amps = rng.randint(-2000, 400) / 10
        text = f"{amps},{400 + amps / 20:.2f},{rng.randint(0, 9000)},{int(is_on)}"
        raw.append(Line(start_us + tenth * 100_000 + 7, 0, "meter", text.encode()))
        payload = rng.randbytes(8)
        raw.append(Frame(start_us + tenth * 100_000 + 9, 0, "bus", 801, False, payload))
    if number % 23 == 5:
        raw.append(Entry(start_us + 950_000, 0, number, "note", f"Note {number}."))
    return [replace(item, seq=seq + place) for place, item in enumerate(raw)]
