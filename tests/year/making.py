"""Writes days of the made-up van into a log, and makes a year of a few of them.

The prototype days go through the real writer. The others are the same rows under new
runs and dates: copied with SQL, so that a year takes a minute.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from logger.clock import Clock
from logger.core.ledger import Total
from logger.core.rollup import MinuteFold, QuarterFold
from logger.core.soc import Count
from logger.core.tick import US_PER_S
from logger.core.trips import Trip
from logger.decode.frames import Frame
from logger.pipeline.spec import Balance, Output
from logger.store.connect import Connect, connect_for_writing
from logger.store.rows import Batch
from logger.store.writer import RunEnd, RunStart, Writer
from tests.year.signals import CHARGE_S, DRIVE_S, day
from tests.year.van import BOXES, Box, Second, seconds

FIRST_DAY_US = 1_735_707_600 * US_PER_S
"""1 January 2025, 05:00 UTC: the van is on the road at five."""

DAY_US = 86_400 * US_PER_S
BALANCE_S = 10
ACCOUNTS = ("pack.power_w", "pack.charging_power_w", "pack.discharging_power_w")

COPIED = (
    ("minute", "minute, channel, n, min, max, mean, last, covered_s"),
    ("quarter", "channel, quarter, n, min, max, mean, last, covered_s"),
    ("span", "quarter, n, beats"),
    ("block", "channel, quarter, beat, trigger, held, cells"),
    ("gap", "channel, start_us, end_us, tick"),
    ("gap_limit", "channel, since_us, limit_us, tick"),
    ("run_total", "channel, integral, covered_us, skipped_us"),
    (
        "balance",
        "t_us, counted_pct, sigma_pct, moved_pct, start_sigma_pct, counted_s,"
        " unseen_s, unmatched_frames, unmatched_lines, newest_entry",
    ),
    (
        "trip",
        "start_us, end_us, skipped_us, distance_m, energy_out_wh, energy_in_wh,"
        " charge_net_ah, sun_wh, shore_wh, used_wh, soc_start_pct, soc_end_pct,"
        " soc_low_end_pct, soc_high_end_pct, soc_counted_change_pct",
    ),
)
"""What of a run is copied: all but its frames."""

BY_CHANNEL = ("quarter", "block")


@dataclass(frozen=True, slots=True)
class Plan:
    """How long a day is, and who tells it.

    Attributes:
        boxes: The boxes of the van.
        drive_s: Time on the road, s.
        charge_s: Time at the charger, s.
        prototypes: Days that differ; the others repeat them.
    """

    boxes: Sequence[Box] = BOXES
    drive_s: int = DRIVE_S
    charge_s: int = CHARGE_S
    prototypes: int = 3

    @property
    def length_s(self) -> int:
        """How long the computer is on, s a day."""
        return self.drive_s + self.charge_s

    def seconds(self, number: int) -> Iterator[Second]:
        """Yield one prototype day, second by second."""
        signals = day(number, self.drive_s, self.charge_s)
        return seconds(signals, self.boxes, self.drive_s, number)


@dataclass(slots=True)
class Booked:
    """Adds what the rest of the chain makes of a second: minutes, quarters, balance."""

    minutes: MinuteFold
    quarters: QuarterFold
    covered_us: int = 0

    @classmethod
    def new(cls) -> "Booked":
        """Return one that has heard nothing yet."""
        return cls(MinuteFold(), QuarterFold())

    def outputs(self, second: Second) -> list[Output]:
        """Return all that is stored of a second."""
        found: list[Output] = [second.tick]
        minute = self.minutes.add(second.tick)
        if minute is not None:
            found.append(minute)
            quarter = self.quarters.add(minute)
            if quarter is not None:
                found.append(quarter)
        if second.tick.index % BALANCE_S == 0:
            found.append(self.balance(second.tick.last_us))
        return found

    def balance(self, t_us: int) -> Balance:
        """Return what the run has come to."""
        totals = {name: Total(t_us * 1e-3, t_us, 0) for name in ACCOUNTS}
        return Balance(t_us, totals, Count(70.0, 1.0, 1.0, t_us / US_PER_S, 0.0), 1.0)

    def finish(self) -> list[Output]:
        """Return the minute and the quarter under way."""
        minute = self.minutes.finish()
        if minute is None:
            return []
        found: list[Output] = [minute]
        found += filter(None, (self.quarters.add(minute), self.quarters.finish()))
        return found


def run_start(number: int) -> RunStart:
    """Return how the run of a day begins."""
    return RunStart(
        recording=None,
        recording_sha256=None,
        start_us=FIRST_DAY_US + number * DAY_US,
        is_start_sure=True,
        zero_stamp_us=0,
        program="made up",
        van_text='[van]\nname = "Dunlin"\n',
        descriptions={},
        dated_by="satellites",
    )


def write_day(
    writer: Writer, number: int, plan: Plan, step_s: int = 60, has_frames: bool = False
) -> None:
    """Write a prototype day, a batch of some seconds at once, and fold it."""
    run = writer.begin_run(run_start(number))
    booked = Booked.new()
    outputs: list[Output] = []
    raw: list[Frame] = []
    end_us = 0
    for second in plan.seconds(number):
        outputs += booked.outputs(second)
        raw += second.frames if has_frames else ()
        end_us = second.tick.last_us
        if second.tick.index % step_s == step_s - 1:
            writer.write(run, Batch(outputs=outputs, raw=raw))
            outputs, raw = [], []
    outputs += [*booked.finish(), booked.balance(end_us), trip(plan, end_us)]
    writer.end_run(run, RunEnd(end_us), Batch(outputs=outputs, raw=raw))
    while writer.tidy():
        pass


def trip(plan: Plan, end_us: int) -> Trip:
    """Return the day's drive."""
    way_us = min(end_us, plan.drive_s * US_PER_S)
    way_m = way_us / US_PER_S * 12.0
    return Trip(
        start_us=0,
        end_us=way_us,
        skipped_us=0,
        distance_m=way_m,
        energy_out_wh=way_m * 0.2,
        energy_in_wh=way_m * 0.01,
        charge_net_ah=-way_m * 0.0012,
        sun_wh=way_us / US_PER_S * 0.15,
        shore_wh=0.0,
        soc_start_pct=80.0,
        soc_end_pct=60.0,
        soc_low_end_pct=58.0,
        soc_high_end_pct=62.0,
        soc_counted_change_pct=-20.0,
    )


def make(
    path: Path, days: int, plan: Plan, connect: Connect = connect_for_writing
) -> None:
    """Make a log of some days; each prototype in turn.

    Args:
        path: The log; made.
        days: How many.
        plan: What a day is like.
        connect: How it is opened for the prototype days.
    """
    with Writer(path, connect=connect, clock=Clock()) as writer:
        for number in range(min(days, plan.prototypes)):
            write_day(writer, number, plan)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        copy_days(connection, range(plan.prototypes, days), plan.prototypes)


def copy_days(
    connection: sqlite3.Connection,
    days: Sequence[int],
    prototypes: int,
    tables: Sequence[str] = tuple(dict(COPIED)),
    source: str = "main",
) -> None:
    """Add days that repeat the prototypes in turn.

    Args:
        connection: The log; runs 1 to `prototypes` are the prototypes.
        days: Numbers of the days.
        prototypes: How many there are.
        tables: What of them is copied.
        source: Schema of the log that they are in: this one, or one that is attached
            and has the same channels.
    """
    connection.execute("PRAGMA synchronous = OFF")
    for number in days:
        connection.execute("BEGIN")
        _copy_day(connection, number, number % prototypes + 1, tables, source)
        connection.execute("COMMIT")


def _copy_day(
    connection: sqlite3.Connection,
    number: int,
    run: int,
    tables: Sequence[str],
    source: str,
) -> None:
    (made,) = connection.execute(
        "INSERT INTO run (recording, recording_sha256, start_us, is_start_sure,"  # noqa: S608
        " zero_stamp_us, end_us, program, damaged_lines, van_file, descriptions, uid,"
        " dated_by, boot, zero_uptime_us)"
        " SELECT recording, recording_sha256, ?, is_start_sure, zero_stamp_us, end_us,"
        " program, damaged_lines, van_file, descriptions, ?, dated_by, boot,"
        f" zero_uptime_us FROM {source}.run WHERE id = ? RETURNING id",
        (FIRST_DAY_US + number * DAY_US, f"{number + (1 << 64):032x}", run),
    ).fetchone()
    for table, columns in COPIED:
        if table in tables:
            # The key of some begins with the channel: without it all is read.
            of_all = "channel IN (SELECT id FROM channel) AND " * (table in BY_CHANNEL)
            connection.execute(
                f"INSERT INTO {table} (run, {columns})"  # noqa: S608 (our own names)
                f" SELECT ?, {columns} FROM {source}.{table} WHERE {of_all}run = ?",
                (made, run),
            )
