"""Reads a log, read-only: what was stored, as values. Never writes, never guesses.

Each call is one short query; series are walked row by row, so that a long log needs no
more memory than a short one.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from logger.core.ledger import Total
from logger.core.soc import Count
from logger.core.tick import US_PER_S, Cell, Gap, GapLimit, Tick
from logger.core.trips import Trip
from logger.decode.frames import Raw
from logger.errors import StoreError
from logger.store.connect import connect_for_reading
from logger.store.migrations import (
    APPLICATION_ID,
    MIGRATIONS,
    migrate,
    version_of,
)
from logger.store.packed import DamagedRowError
from logger.store.recording import unpack_block
from logger.store.seconds import newest_quarter, walk, walk_channel

LAST_TICK = 2**62
"""Beyond every tick and minute of a run."""

RUNS = (
    "SELECT id, recording, recording_sha256, start_us, zero_stamp_us, end_us,"
    " program, damaged_lines, is_start_sure, coalesce(unmatched_frames, 0),"
    " coalesce(unmatched_lines, 0), t_us, sigma_pct, uid, dated_by, boot,"
    " zero_uptime_us,"
    " counted_pct, moved_pct, start_sigma_pct, counted_s, unseen_s"
    " FROM run LEFT JOIN balance ON balance.run = run.id"
)
"""What a RunRow is made of."""


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run, as it is stored (see `logger.store.schema`)."""

    id: int
    recording: str | None
    recording_sha256: str | None
    start_us: int | None
    zero_stamp_us: int
    end_us: int | None
    program: str
    damaged_lines: int
    is_start_sure: bool
    unmatched_frames: int
    unmatched_lines: int
    balance_us: int | None
    count: Count | None
    sigma_pct: float | None = None
    uid: str = ""
    dated_by: str = ""
    boot: str = ""
    zero_uptime_us: int | None = None

    @property
    def is_stopped_replay(self) -> bool:
        """True for a recording of which only a part was played; it counts for nothing.

        A live run without an end is under way or was cut off, and counts.
        """
        return self.recording is not None and self.end_us is None

    def date_us(self, t_us: int) -> int | None:
        """Return a time of this run as microseconds since the Unix epoch, or None."""
        return None if self.start_us is None else self.start_us + t_us

    def stamp_s(self, t_us: int) -> float:
        """Return seconds since the Unix epoch; the source's own where undated."""
        zero_us = self.zero_stamp_us if self.start_us is None else self.start_us
        return (zero_us + t_us) / US_PER_S


@dataclass(frozen=True, slots=True)
class RefusalRow:
    """What was refused at one place for one reason."""

    place: str
    reason: str
    n: int
    sample: str


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened to the record itself."""

    t_us: int
    kind: str
    text: str


def _run(row: tuple[Any, ...]) -> RunRow:
    (
        number, recording, sha256, start_us, zero_us, end_us, program, damaged, is_sure,
        frames, lines, balance_us, sigma_pct, uid, dated_by, boot, uptime_us, *counted,
    ) = row  # fmt: skip
    return RunRow(
        id=number,
        recording=recording,
        recording_sha256=sha256,
        start_us=start_us,
        zero_stamp_us=zero_us,
        end_us=end_us,
        program=program,
        damaged_lines=damaged,
        is_start_sure=bool(is_sure),
        unmatched_frames=frames,
        unmatched_lines=lines,
        balance_us=balance_us,
        sigma_pct=sigma_pct,
        uid=uid,
        dated_by=dated_by,
        boot=boot,
        zero_uptime_us=uptime_us,
        count=None if balance_us is None else Count(*counted),
    )


def plain_cell(
    n: int, low: float, high: float, mean: float, last: float, covered_s: float
) -> Cell:
    """Return the cell of a plain row."""
    return Cell(n, low, high, last, mean * covered_s, round(covered_s * US_PER_S))


def iso_utc(date_us: int | None) -> str | None:
    """Return a date as ISO 8601 in UTC with milliseconds, or None.

    Args:
        date_us: Microseconds since the Unix epoch, or None.
    """
    if date_us is None:
        return None
    whole_s, rest_us = divmod(date_us, US_PER_S)
    date = datetime.fromtimestamp(whole_s, tz=UTC).replace(microsecond=rest_us)
    return date.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _brought_up_to_date(old: Connection, name: str) -> Connection:
    """Return a copy in memory of a log of an earlier version, with today's tables."""
    copy = sqlite3.connect(":memory:", isolation_level=None)
    old.backup(copy)
    old.close()
    migrate(copy, name, now_us=0)
    return copy


@dataclass(slots=True)
class Log:
    """A log that is open for reading.

    Args:
        path: The log.

    Raises:
        StoreError: The file is no log, or one of a later program.
    """

    path: Path
    connection: Connection = field(init=False)
    channels: dict[int, str] = field(init=False)

    def __post_init__(self) -> None:
        self.connection = connect_for_reading(self.path)
        (application,) = self.connection.execute("PRAGMA application_id").fetchone()
        version = version_of(self.connection)
        if application != APPLICATION_ID or not 1 <= version <= len(MIGRATIONS):
            self.close()
            raise StoreError(
                where=str(self.path),
                saw=f"version {version}" if application else "no log of this program",
                fix=f"Give a log of version 1 to {len(MIGRATIONS)}.",
            )
        if version < len(MIGRATIONS):
            self.connection = _brought_up_to_date(self.connection, self.path.name)
        self.channels = dict(self.connection.execute("SELECT id, name FROM channel"))

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    def _name(self, number: int) -> str:
        if number not in self.channels:  # heard first after the log was opened
            self.channels |= self.connection.execute("SELECT id, name FROM channel")
        if number not in self.channels:
            raise DamagedRowError(f"a channel {number} that the log does not name")
        return self.channels[number]

    def runs(self) -> list[RunRow]:
        """Return all runs: the dated ones by date, then the others by number."""
        order = " ORDER BY start_us IS NULL, start_us, id"
        return [_run(row) for row in self.connection.execute(RUNS + order)]

    def run(self, number: int) -> RunRow | None:
        """Return one run; None where there is none of that number."""
        row = self.connection.execute(RUNS + " WHERE id = ?", (number,)).fetchone()
        return None if row is None else _run(row)

    def newest_run(self) -> int | None:
        """Return the number of the run that was begun last; None in an empty log."""
        (number,) = self.connection.execute("SELECT max(id) FROM run").fetchone()
        return None if number is None else int(number)

    def van_text(self, run: int) -> str:
        """Return the van file that a run was counted by."""
        row = self.connection.execute(
            "SELECT text FROM run JOIN van_file ON van_file.id = run.van_file"
            " WHERE run.id = ?",
            (run,),
        ).fetchone()
        return str(row[0])

    def trips(self, run: int) -> list[Trip]:
        """Return the trips of a run in their order."""
        rows = self.connection.execute(
            "SELECT start_us, end_us, skipped_us, distance_m, energy_out_wh,"
            " energy_in_wh, charge_net_ah, sun_wh, shore_wh, soc_start_pct,"
            " soc_end_pct, soc_low_end_pct, soc_high_end_pct, soc_counted_change_pct"
            " FROM trip WHERE run = ? ORDER BY start_us",
            (run,),
        )
        return [Trip(*row) for row in rows]

    def ticks(self, run: int, first: int = 0, last: int = LAST_TICK) -> Iterator[Tick]:
        """Yield the ticks of a run in their order, without their gaps.

        Args:
            run: The run.
            first: Index of the first tick wanted.
            last: Index of the last one wanted.
        """
        for index, (first_us, last_us, cells) in walk(
            self.connection, run, first, last
        ):
            named = {self._name(number): cell for number, cell in cells.items()}
            yield Tick(index, first_us, last_us, named)

    def cells(
        self, run: int, channel: str, first: int = 0, last: int = LAST_TICK
    ) -> Iterator[tuple[int, Cell]]:
        """Yield the seconds of one channel of a run: index and what it did in each.

        Args:
            run: The run.
            channel: Name of the channel.
            first: Index of the first second wanted.
            last: Index of the last one wanted.
        """
        number = self.number(channel)
        if number is None:
            return
        yield from walk_channel(self.connection, run, number, first, last)

    def number(self, channel: str) -> int | None:
        """Return the number of a channel in this log; None if it was never heard."""
        row = self.connection.execute(
            "SELECT id FROM channel WHERE name = ?", (channel,)
        ).fetchone()
        return None if row is None else int(row[0])

    def last_tick(self, run: int) -> Tick | None:
        """Return the newest tick of a run, or None where there is none."""
        newest = newest_quarter(self.connection, run)
        if newest is None:
            return None
        *_, tick = self.ticks(run, *newest.ticks)
        return tick

    def minutes(
        self, run: int, channel: str, first: int = 0, last: int = LAST_TICK
    ) -> list[tuple[int, Cell]]:
        """Return the minutes of one channel of a run: index and what it did in each.

        Args:
            run: The run.
            channel: Name of the channel.
            first: Index of the first minute wanted.
            last: Index of the last one wanted.
        """
        rows = self.connection.execute(
            "SELECT minute, n, min, max, mean, last, covered_s FROM minute"
            " WHERE run = ? AND minute BETWEEN ? AND ?"
            " AND channel = (SELECT id FROM channel WHERE name = ?) ORDER BY minute",
            (run, first, last, channel),
        )
        return [(index, plain_cell(*values)) for index, *values in rows]

    def quarters(
        self, run: int, channel: str, first: int = 0, last: int = LAST_TICK
    ) -> list[tuple[int, Cell]]:
        """Return the quarters of an hour of one channel of a run: index and cell.

        Args:
            run: The run.
            channel: Name of the channel.
            first: Index of the first quarter wanted.
            last: Index of the last one wanted.
        """
        rows = self.connection.execute(
            "SELECT quarter, n, min, max, mean, last, covered_s FROM quarter"
            " WHERE channel = (SELECT id FROM channel WHERE name = ?) AND run = ?"
            " AND quarter BETWEEN ? AND ? ORDER BY quarter",
            (channel, run, first, last),
        )
        return [(index, plain_cell(*values)) for index, *values in rows]

    def newest_entry(self) -> int:
        """Return the number of the newest entry of the desk booked in any run."""
        row = self.connection.execute(
            "SELECT max(newest_entry) FROM balance"
        ).fetchone()
        return row[0] or 0

    def has_ticks(self, run: int) -> bool:
        """Return whether anything was heard in a run."""
        return newest_quarter(self.connection, run) is not None

    def gaps(self, run: int) -> list[Gap]:
        """Return what was not seen in a run, channel by channel."""
        rows = self.connection.execute(
            "SELECT channel, start_us, end_us FROM gap WHERE run = ?"
            " ORDER BY channel, start_us",
            (run,),
        )
        return [Gap(self._name(number), start, end) for number, start, end in rows]

    def gap_limits(self, run: int) -> list[GapLimit]:
        """Return from when on which silence was a gap, channel by channel."""
        rows = self.connection.execute(
            "SELECT channel, since_us, limit_us FROM gap_limit WHERE run = ?"
            " ORDER BY channel, since_us",
            (run,),
        )
        return [GapLimit(self._name(number), *limit) for number, *limit in rows]

    def totals(self, run: int) -> dict[str, Total]:
        """Return what each account came to over a run, by channel name."""
        rows = self.connection.execute(
            "SELECT channel, integral, covered_us, skipped_us FROM run_total"
            " WHERE run = ? ORDER BY channel",
            (run,),
        )
        return {self._name(number): Total(*total) for number, *total in rows}

    def refusals(self, run: int) -> list[RefusalRow]:
        """Return what was refused in a run, most often first."""
        rows = self.connection.execute(
            "SELECT place, reason, n, sample FROM refusal WHERE run = ?"
            " ORDER BY n DESC, place, reason",
            (run,),
        )
        return [RefusalRow(*row) for row in rows]

    def events(self, run: int) -> list[EventRow]:
        """Return what happened to the record of a run, in order."""
        rows = self.connection.execute(
            "SELECT t_us, kind, text FROM event WHERE run = ? ORDER BY t_us, kind",
            (run,),
        )
        return [EventRow(*row) for row in rows]

    def raw(self, run: int) -> Iterator[Raw]:
        """Yield the frames and lines of a run in order of arrival."""
        newest = -LAST_TICK
        while True:
            row = self.connection.execute(
                "SELECT last_seq, items FROM raw_block"
                " WHERE run = ? AND first_seq > ? ORDER BY first_seq LIMIT 1",
                (run, newest),
            ).fetchone()
            if row is None:
                return
            # A block that was stored again after it was merged lies within another.
            newest = row[0]
            yield from unpack_block(row[1])
