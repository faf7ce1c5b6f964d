"""Keeps a log within its limits: what is too old goes, and what there is no room for.

Room is made before it is needed, since a full card refuses a DELETE too. Frames go
first, the oldest before the younger, then seconds, then the frames of pinned stretches;
sums, trips, minutes and quarters never go for want of room. What was let go is noted in
the table `shed`. All of it is cut into short transactions.

A run is as old as its date says; one whose date is not sure is taken to be no older
than the sure run before it, so that a computer that woke up in the wrong decade throws
nothing away. Recordings that somebody played in go for want of room only.
"""

import os
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from logger.core.rollup import TICKS_PER_MINUTE, TICKS_PER_QUARTER
from logger.core.tick import US_PER_S
from logger.store.connect import Connection
from logger.store.folding import Quarter
from logger.store.metering import Meter

MINUTE_US = TICKS_PER_MINUTE * US_PER_S
QUARTER_US = TICKS_PER_QUARTER * US_PER_S

FULL_FRAC = 0.95
"""Share of the largest size from which on room is made."""

FRAMES_RESERVE = (64 << 20, 0.10)
SECONDS_RESERVE = (32 << 20, 0.05)
"""Bytes, and share of the card, whichever is less, that are left free by letting frames
and then seconds go (design judgement)."""

NO_ROOM = "a card or log that is nearly full, with only sums left in it"

BLOCKS_A_PORTION = 32
MINUTES_A_PORTION = 30

ALL_FRAMES = (
    "SELECT first_seq, last_us, length(items) FROM raw_block"
    " WHERE run = ? AND last_us < ? ORDER BY first_seq LIMIT ?"
)
UNPINNED_FRAMES = (
    "SELECT first_seq, last_us, length(items) FROM raw_block"
    " WHERE run = ? AND last_us < ? AND NOT EXISTS (SELECT 1 FROM pin"
    " WHERE pin.run = raw_block.run AND pin.start_us <= raw_block.last_us"
    " AND pin.end_us >= raw_block.first_us) ORDER BY first_seq LIMIT ?"
)

Transaction = Callable[[Callable[[], bool]], bool]
"""Does something in one transaction, and returns what it returned."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a log keeps; ages in microseconds, None for ever."""

    size_bytes: int
    frames_bytes: int
    frames_us: int
    seconds_us: int
    minutes_us: int
    quarters_us: int | None


@dataclass(frozen=True, slots=True)
class Aged:
    """One run and the date it is held to be of.

    Attributes:
        run: The run.
        start_us: That date, microseconds since the Unix epoch.
        is_live: False for a recording that somebody played in.
        end_us: Its end, microseconds since its zero; None while it is under way.
    """

    run: int
    start_us: int
    is_live: bool
    end_us: int | None


def aged(connection: Connection) -> list[Aged]:
    """Return all runs, the oldest first."""
    rows = connection.execute(
        "SELECT id, start_us, is_start_sure, end_us, recording IS NULL FROM run"
        " ORDER BY id"
    ).fetchall()
    runs, sure_us = [], 0
    for run, start_us, is_sure, end_us, is_live in rows:
        if is_sure and start_us is not None:
            held_us = start_us
            sure_us = max(sure_us, start_us + (end_us or 0)) if is_live else sure_us
        else:
            held_us = max(start_us or 0, sure_us)
        runs.append(Aged(run, held_us, bool(is_live), end_us))
    return sorted(runs, key=lambda each: (each.start_us, each.run))


def now_us(connection: Connection) -> int | None:
    """Return the newest date that a live run is sure of; None where there is none."""
    row = connection.execute(
        "SELECT max(start_us + max(coalesce(end_us, 0), coalesce("
        " (SELECT t_us FROM balance WHERE balance.run = run.id), 0)))"
        " FROM run WHERE is_start_sure = 1 AND recording IS NULL"
    ).fetchone()
    return None if row is None or row[0] is None else int(row[0])


@dataclass(slots=True)
class Keeping:
    """Keeps one open log within its limits.

    Args:
        connection: The log.
        path: Its file, for the room on its card.
        limits: What it keeps.
        transaction: How something is done in one transaction.

    Attributes:
        trouble: Why no room could be made, in words; empty while there is some.
    """

    connection: Connection
    path: Path
    limits: Limits
    transaction: Transaction
    trouble: str = ""
    _meter: Meter = field(default_factory=Meter)
    _settled: dict[str, set[int]] = field(default_factory=dict)

    def work(self) -> Iterator[None]:
        """Let go what is to go, in portions; yields between them."""
        yield from self._meter.read(self.connection)
        runs = aged(self.connection)
        newest_us = now_us(self.connection)
        if newest_us is not None:
            for each in runs:
                if each.is_live:
                    yield from self._let_age(each, newest_us)
        # A run that had none is not asked again: there may be thousands.
        unpinned = deque(each.run for each in runs)
        while self._has_many_frames() and self._drop_oldest(
            unpinned, self._drop_unpinned
        ):
            yield
        yield from self._make_room(runs)

    def _has_many_frames(self) -> bool:
        return self._meter.total > self.limits.frames_bytes or self._is_short(
            FRAMES_RESERVE
        )

    def _make_room(self, runs: list[Aged]) -> Iterator[None]:
        """Let seconds go, and pinned frames in the end; never the sums."""
        self.trouble = ""
        seconds = deque(each.run for each in runs)
        frames = deque(each.run for each in runs)
        while self._is_short(SECONDS_RESERVE):
            if not (
                self._drop_oldest(seconds, self._drop_seconds)
                or self._drop_oldest(frames, self._drop_any)
            ):
                self.trouble = NO_ROOM
                return
            yield

    def _is_short(self, reserve: tuple[int, float]) -> bool:
        """Return whether the log or its card is about to be full."""
        size = _pragma(self.connection, "page_size")
        free = _pragma(self.connection, "freelist_count") * size
        used = _pragma(self.connection, "page_count") * size - free
        if used > self.limits.size_bytes * FULL_FRAC:
            return True
        card = os.statvfs(self.path.parent)
        most, share = reserve
        spare = min(most, int(card.f_blocks * card.f_frsize * share))
        return card.f_bavail * card.f_frsize + free < spare

    def _let_age(self, each: Aged, newest_us: int) -> Iterator[None]:
        """Let go what of one run is older than it may be."""
        limits, age_us = self.limits, newest_us - each.start_us
        for what, limit_us, unit_us, drop in (
            ("frames", limits.frames_us, 1, self._drop_unpinned),
            ("seconds", limits.seconds_us, QUARTER_US, self._drop_seconds),
            ("minutes", limits.minutes_us, MINUTE_US, self._drop_minutes),
            ("quarters", limits.quarters_us, QUARTER_US, self._drop_quarters),
        ):
            settled = self._settled.setdefault(what, set())
            if limit_us is None or age_us <= limit_us or each.run in settled:
                continue
            until = (age_us - limit_us) // unit_us
            while until > 0 and drop(each.run, until):
                yield
            if each.end_us is not None and until * unit_us > each.end_us:
                settled.add(each.run)
                yield

    def _drop_oldest(self, runs: deque[int], drop: Callable[[int], bool]) -> bool:
        """Let a portion of the oldest run go; runs that have none are taken out."""
        while runs:
            if drop(runs[0]):
                return True
            runs.popleft()
        return False

    def _drop_unpinned(self, run: int, until_us: int = 1 << 62) -> bool:
        return self._drop_frames(run, UNPINNED_FRAMES, until_us)

    def _drop_any(self, run: int) -> bool:
        return self._drop_frames(run, ALL_FRAMES, 1 << 62)

    def _drop_frames(self, run: int, which: str, until_us: int) -> bool:
        """Let the oldest blocks of a run go; return whether there were any.

        Args:
            run: The run.
            which: The query that finds them.
            until_us: Only what ended by then, microseconds since the run's zero.
        """
        rows = self.connection.execute(
            which, (run, until_us, BLOCKS_A_PORTION)
        ).fetchall()
        if not rows:
            return False

        def delete() -> bool:
            self.connection.executemany(
                "DELETE FROM raw_block WHERE run = ? AND first_seq = ?",
                [(run, first_seq) for first_seq, _, _ in rows],
            )
            self._note(run, "frames", max(last_us for _, last_us, _ in rows))
            return True

        self.transaction(delete)
        self._meter.let_go(run, sum(size for _, _, size in rows))
        return True

    def _drop_seconds(self, run: int, until: int = 1 << 40) -> bool:
        """Let the oldest quarter of seconds of a run go, before a quarter of it."""
        oldest, newest = self.connection.execute(
            "SELECT min(q), max(q) FROM ("
            " SELECT min(tick) / ? AS q FROM tick WHERE run = ?"
            " UNION ALL SELECT max(tick) / ? FROM tick WHERE run = ?"
            " UNION ALL SELECT min(quarter) FROM span WHERE run = ?"
            " UNION ALL SELECT max(quarter) FROM span WHERE run = ?)",
            (TICKS_PER_QUARTER, run, TICKS_PER_QUARTER, run, run, run),
        ).fetchone()
        # The quarter under way is what the count is made good from after a power cut.
        if oldest is None or oldest >= until:
            return False
        if oldest == newest and self._is_under_way(run):
            return False

        def delete() -> bool:
            self.connection.execute(
                "DELETE FROM tick WHERE run = ? AND tick BETWEEN ? AND ?",
                (run, *Quarter(run, oldest).ticks),
            )
            self.connection.execute(
                "DELETE FROM block WHERE channel IN (SELECT id FROM channel)"
                " AND run = ? AND quarter = ?",
                (run, oldest),
            )
            self.connection.execute(
                "DELETE FROM span WHERE run = ? AND quarter = ?", (run, oldest)
            )
            self._note(run, "seconds", (oldest + 1) * QUARTER_US)
            return True

        return self.transaction(delete)

    def _drop_minutes(self, run: int, until: int) -> bool:
        (oldest,) = self.connection.execute(
            "SELECT min(minute) FROM minute WHERE run = ?", (run,)
        ).fetchone()
        if oldest is None or oldest >= until:
            return False
        last = min(oldest + MINUTES_A_PORTION, until) - 1

        def delete() -> bool:
            self.connection.execute(
                "DELETE FROM minute WHERE run = ? AND minute BETWEEN ? AND ?",
                (run, oldest, last),
            )
            self._note(run, "minutes", (last + 1) * MINUTE_US)
            return True

        return self.transaction(delete)

    def _drop_quarters(self, run: int, until: int) -> bool:
        def delete() -> bool:
            self.connection.execute(
                "DELETE FROM quarter WHERE channel IN (SELECT id FROM channel)"
                " AND run = ? AND quarter < ?",
                (run, until),
            )
            (count,) = self.connection.execute("SELECT changes()").fetchone()
            if count:
                self._note(run, "quarters", until * QUARTER_US)
            return bool(count)

        return self.transaction(delete)

    def _is_under_way(self, run: int) -> bool:
        row = self.connection.execute(
            "SELECT 1 FROM run WHERE id = ? AND end_us IS NULL", (run,)
        ).fetchone()
        return row is not None

    def _note(self, run: int, what: str, until_us: int) -> None:
        """Write down up to when something of a run is no longer kept."""
        self.connection.execute(
            "INSERT INTO shed (run, what, until_us) VALUES (?, ?, ?)"
            " ON CONFLICT (run, what) DO UPDATE"
            " SET until_us = max(until_us, excluded.until_us)",
            (run, what, until_us),
        )


def _pragma(connection: Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
