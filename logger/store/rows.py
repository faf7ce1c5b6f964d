"""What is stored together, and the rows it becomes.

Every row has a key of its own and replaces itself, so that storing a batch again
changes nothing. Knows no thread and begins no transaction.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import assert_never

from logger.core.rollup import Minute, Quarter, covered_s
from logger.core.tick import US_PER_S, Cell, Tick
from logger.core.trips import Trip
from logger.decode.frames import Raw
from logger.pipeline.spec import Balance, Output, Remark
from logger.quantities import find_channel
from logger.store.connect import Connection
from logger.store.packed import pack
from logger.store.pinning import PINNING
from logger.store.recording import blocks, pack_block

RUN_TABLES = (
    "tick",
    "span",
    "block",
    "minute",
    "quarter",
    "gap_limit",
    "pin",
    "shed",
    "erased",
    "gap",
    "trip",
    "run_total",
    "balance",
    "refusal",
    "event",
    "raw_block",
)
"""Every table whose rows belong to one run."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the record itself."""

    t_us: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Pin:
    """A stretch of a run whose frames are to be kept when others are thrown away."""

    start_us: int
    end_us: int
    why: str


@dataclass(frozen=True, slots=True)
class Batch:
    """What is stored together: all of it, or nothing.

    Attributes:
        outputs: What the pipeline gave, in its order.
        raw: Frames and lines for the flight recorder, in order of arrival.
        events: What happened to the record.
        pins: Stretches whose frames are to be kept.
    """

    outputs: Sequence[Output] = ()
    raw: Sequence[Raw] = ()
    events: Sequence[Event] = ()
    pins: Sequence[Pin] = ()


@dataclass(slots=True)
class Rows:
    """Turns batches into rows of an open log."""

    connection: Connection
    _channels: dict[str, int] = field(default_factory=dict)

    def forget(self) -> None:
        """Forget the channel numbers: their rows were rolled back."""
        self._channels.clear()

    def insert(self, run: int, batch: Batch) -> None:
        """Store a batch of a run; a transaction is under way."""
        remarks = [(run, e.t_us, e.kind, e.text) for e in batch.events]
        ticks = [output for output in batch.outputs if isinstance(output, Tick)]
        self._insert_ticks(run, ticks)
        for output in batch.outputs:
            match output:
                case Tick():
                    pass  # all at once, above
                case Minute():
                    self._insert_minute(run, output)
                case Quarter():
                    self._insert_quarter(run, output)
                case Trip():
                    self._insert_trip(run, output)
                case Balance():
                    self._insert_balance(run, output)
                case Remark():
                    remarks.append((run, output.t_us, output.kind, output.text))
                case _:
                    assert_never(output)
        self.connection.executemany(
            "INSERT OR REPLACE INTO raw_block (run, first_seq, last_seq, first_us,"
            " last_us, n, items) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [raw_row(run, block) for block in blocks(batch.raw)],
        )
        self.connection.executemany(
            "INSERT OR REPLACE INTO pin (run, start_us, end_us, why)"
            " VALUES (?, ?, ?, ?)",
            [(run, *pin) for pin in (*_pins(batch.pins), *_pinned_by(remarks))],
        )
        self.connection.executemany(
            "INSERT OR REPLACE INTO event (run, t_us, kind, text) VALUES (?, ?, ?, ?)",
            remarks,
        )

    def _insert_ticks(self, run: int, ticks: Sequence[Tick]) -> None:
        rows = []
        for tick in ticks:
            self._insert_gaps(run, tick)
            cells = [(self._channel(name), cell) for name, cell in tick.cells.items()]
            rows.append((run, tick.index, pack(tick.first_us, tick.last_us, cells)))
        self.connection.executemany(
            "INSERT OR REPLACE INTO tick (run, tick, cells) VALUES (?, ?, ?)", rows
        )

    def _insert_minute(self, run: int, minute: Minute) -> None:
        self.connection.executemany(
            "INSERT OR REPLACE INTO minute (run, minute, channel, n, min, max, mean,"
            " last, covered_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (run, minute.index, self._channel(name), *plain(cell))
                for name, cell in minute.cells.items()
            ],
        )

    def _insert_quarter(self, run: int, quarter: Quarter) -> None:
        rows = [
            (self._channel(name), run, quarter.index, *plain(cell))
            for name, cell in quarter.cells.items()
        ]
        self.connection.executemany(
            "INSERT OR REPLACE INTO quarter (channel, run, quarter, n, min, max, mean,"
            " last, covered_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            sorted(rows),  # in the order of the keys: each page is touched once
        )

    def _insert_gaps(self, run: int, tick: Tick) -> None:
        self.connection.executemany(
            "INSERT OR REPLACE INTO gap (run, channel, start_us, end_us, tick)"
            " VALUES (?, ?, ?, ?, ?)",
            [
                (run, self._channel(gap.channel), gap.start_us, gap.end_us, tick.index)
                for gap in tick.gaps
            ],
        )
        self.connection.executemany(
            "INSERT OR REPLACE INTO gap_limit (run, channel, since_us, limit_us, tick)"
            " VALUES (?, ?, ?, ?, ?)",
            [
                (run, self._channel(limit.channel), limit.since_us, limit.limit_us,
                 tick.index)
                for limit in tick.limits
            ],
        )  # fmt: skip

    def _insert_trip(self, run: int, trip: Trip) -> None:
        self.connection.execute(
            "INSERT OR REPLACE INTO trip (run, start_us, end_us, skipped_us,"
            " distance_m, energy_out_wh, energy_in_wh, charge_net_ah, sun_wh, shore_wh,"
            " used_wh, soc_start_pct, soc_end_pct, soc_low_end_pct, soc_high_end_pct,"
            " soc_counted_change_pct)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                run,
                trip.start_us,
                trip.end_us,
                trip.skipped_us,
                trip.distance_m,
                trip.energy_out_wh,
                trip.energy_in_wh,
                trip.charge_net_ah,
                trip.sun_wh,
                trip.shore_wh,
                trip.used_wh,
                trip.soc_start_pct,
                trip.soc_end_pct,
                trip.soc_low_end_pct,
                trip.soc_high_end_pct,
                trip.soc_counted_change_pct,
            ),
        )

    def _insert_balance(self, run: int, balance: Balance) -> None:
        if balance.trip is not None:
            self._insert_trip(run, balance.trip)
        self.connection.executemany(
            "INSERT OR REPLACE INTO run_total (run, channel, integral, covered_us,"
            " skipped_us) VALUES (?, ?, ?, ?, ?)",
            [
                (
                    run,
                    self._channel(name),
                    total.integral,
                    total.covered_us,
                    total.skipped_us,
                )
                for name, total in balance.totals.items()
            ],
        )
        self.connection.executemany(
            "INSERT OR REPLACE INTO refusal (run, place, reason, n, first_us, last_us,"
            " sample) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (run, r.place, r.reason.value, r.n, r.first_us, r.last_us, r.sample)
                for r in balance.refusals
            ],
        )
        count = balance.count
        self.connection.execute(
            "INSERT OR REPLACE INTO balance (run, t_us, counted_pct, sigma_pct,"
            " moved_pct, start_sigma_pct, counted_s, unseen_s, unmatched_frames,"
            " unmatched_lines, newest_entry)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                run,
                balance.t_us,
                count.counted_pct,
                balance.sigma_pct,
                count.moved_pct,
                count.start_sigma_pct,
                count.counted_s,
                count.unseen_s,
                balance.unmatched_frames,
                balance.unmatched_lines,
                balance.newest_entry,
            ),
        )

    def _channel(self, name: str) -> int:
        number = self._channels.get(name)
        if number is not None:
            return number
        found = find_channel(name)
        assert found is not None, f"{name} is not in the list of quantities"
        self.connection.execute(
            "INSERT INTO channel (name, unit, label) VALUES (?, ?, ?)"
            " ON CONFLICT (name) DO NOTHING",
            (name, found.quantity.unit.symbol, found.quantity.label),
        )
        row = self.connection.execute(
            "SELECT id FROM channel WHERE name = ?", (name,)
        ).fetchone()
        self._channels[name] = int(row[0])
        return self._channels[name]


def discard(connection: Connection, run: int) -> None:
    """Delete a run and all that belongs to it; a transaction is under way."""
    for table in RUN_TABLES:
        connection.execute(
            f"DELETE FROM {table} WHERE run = ?",  # noqa: S608 (our own names)
            (run,),
        )
    connection.execute("DELETE FROM run WHERE id = ?", (run,))


def plain(cell: Cell) -> tuple[int, float, float, float, float, float]:
    """Return a cell as the columns of a minute or quarter: n to covered_s."""
    return cell.n, cell.low, cell.high, cell.mean, cell.last, covered_s(cell)


def _pins(pins: Iterable[Pin]) -> Iterator[tuple[int, int, str]]:
    yield from ((pin.start_us, pin.end_us, pin.why) for pin in pins)


def _pinned_by(
    remarks: Iterable[tuple[int, int, str, str]],
) -> Iterator[tuple[int, int, str]]:
    """Yield the stretches around events that are worth keeping frames for."""
    for _, t_us, kind, _ in remarks:
        if kind in PINNING:
            before_s, after_s = PINNING[kind]
            start_us = t_us - round(before_s * US_PER_S)
            yield start_us, t_us + round(after_s * US_PER_S), kind


def raw_row(run: int, block: Sequence[Raw]) -> tuple[int | bytes, ...]:
    """Return the row of a block of frames and lines, in order of arrival."""
    times = [item.t_us for item in block]
    span = (min(times), max(times))
    return (
        run, block[0].seq, block[-1].seq, *span, len(block), pack_block(block),
    )  # fmt: skip
