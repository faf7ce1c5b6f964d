"""Brings the runs of another log of the same van into an open one.

Runs are the same by their identity, wherever they lie. One that the open log lacks is
copied; one that both have is united row by row, so that joining again changes nothing.
What was worked out (trips, totals, the balance) comes whole from the copy that goes
further. Each step is one transaction: after a kill at any step, joining again gives
what an undisturbed one gives.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby, islice
from typing import Any, Protocol

from logger.core.rollup import TICKS_PER_QUARTER
from logger.store.connect import Connection, in_transaction
from logger.store.folding import Quarter
from logger.store.private import NOTES, PLACES, mark, mark_stretch
from logger.store.settling import SETTLED, Theirs, settle
from logger.store.shapes import Row, Shape, shape_of
from logger.store.uniting import (
    Uniting,
    add_blocks,
    add_frames,
    add_ticks,
)

ROWS_A_STEP = 500
FRAME_BLOCKS_A_STEP = 16
RUNS_A_STEP = 50

JOINED = "joined"
"""Kind of the event in a run that came from another log."""

PLAIN = ("gap", "gap_limit", "event", "pin")
ROLLED_UP = ("minute", "quarter")


class Source(Protocol):
    """The other log; a damaged one gives the rows that it still has."""

    def rows(self, table: str, *key: int) -> Iterator[Row]:
        """Yield the rows of a table whose key begins so, in the order of its shape."""

    def is_whole(self) -> bool:
        """Return whether no row has been missed so far."""


@dataclass(slots=True)
class Joined:
    """What a joining has come to.

    Attributes:
        added: Runs that were copied.
        united: Runs that both logs had.
        seconds: Seconds that were added or filled up.
        damaged: Rows that could not be read, by table.
        is_between: True where a copied run lies before one that was there.
    """

    added: int = 0
    united: int = 0
    seconds: int = 0
    damaged: dict[str, int] = field(default_factory=dict)
    is_between: bool = False


def join(source: Source, connection: Connection, joined: Joined) -> Iterator[str]:
    """Bring the runs of another log into an open one, step by step.

    Args:
        source: The other log.
        connection: The open one; no transaction is under way.
        joined: What it comes to is counted there.

    Yields:
        What each step did, in words.
    """
    yield from _Joining(source, connection, joined).steps()


@dataclass(slots=True)
class _Joining:
    source: Source
    connection: Connection
    joined: Joined
    uniting: Uniting = field(init=False)
    shapes: dict[str, Shape] = field(default_factory=dict)
    files: dict[int, tuple[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.uniting = Uniting(self.connection, self.joined.damaged)

    def steps(self) -> Iterator[str]:
        in_transaction(self.connection, self._begin)
        yield "identities"
        runs = self.source.rows("run")
        while portion := list(islice(runs, RUNS_A_STEP)):
            in_transaction(self.connection, partial(self._take_runs, portion))
            yield f"{len(self.uniting.runs)} runs"
        yield from self._seconds()
        yield from self._frames()
        for table in (*ROLLED_UP, *PLAIN):
            yield from self._plain(table)
        for run in list(self.uniting.runs):
            in_transaction(self.connection, partial(self._close, run))
            yield f"sums of run {run}"

    def _shape(self, table: str) -> Shape:
        if table not in self.shapes:
            self.shapes[table] = shape_of(self.connection, table)
        return self.shapes[table]

    def _begin(self) -> None:
        """Unite whose book it is, the channels and the van files."""
        shape = self._shape("van")
        vans = [shape.named(row) for row in self.source.rows("van")]
        own = self.connection.execute(
            "SELECT id, is_declared, made_us FROM van"
        ).fetchall()
        vans += [
            dict(zip(("id", "is_declared", "made_us"), row, strict=True)) for row in own
        ]
        if vans:
            # The declared one, or the older: copies of either log are known by it.
            best = min(vans, key=lambda van: (-van["is_declared"], van["made_us"]))
            self.connection.execute("DELETE FROM van")
            self.connection.execute(
                "INSERT INTO van (id, is_declared, made_us) VALUES (?, ?, ?)",
                (best["id"], best["is_declared"], best["made_us"]),
            )
        for channel in self.source.rows("channel"):
            self.uniting.add_channel(*channel)
        for number, sha256, text in self.source.rows("van_file"):
            self.files[number] = (sha256, text)

    def _van_file(self, number: int | None) -> int | None:
        """Return the number here of a van file there; taken in where it is needed.

        One that no run needs stays out: names in it may have been erased here.
        """
        if number is None or number not in self.files:
            return None
        sha256, text = self.files[number]
        self.connection.execute(
            "INSERT OR IGNORE INTO van_file (sha256, text) VALUES (?, ?)",
            (sha256, text),
        )
        row = self.connection.execute(
            "SELECT id FROM van_file WHERE sha256 = ?", (sha256,)
        ).fetchone()
        return int(row[0])

    def _take_runs(self, rows: Iterable[Row]) -> None:
        shape = self._shape("run")
        for row in rows:
            theirs = shape.named(row)
            found = self.connection.execute(
                "SELECT id FROM run WHERE uid = ?", (theirs["uid"],)
            ).fetchone()
            number = theirs["id"]
            if found is None:
                run = self._new_run(theirs)
                self.joined.added += 1
            else:
                run = int(found[0])
                self._date(run, theirs)
                self.joined.united += 1
            self.uniting.add_run(number, run, self._erased_there(number))

    def _new_run(self, theirs: dict[str, Any]) -> int:
        """Insert a run without its end: it has one once all of it is there."""
        self.joined.is_between |= self._is_before_another(theirs["start_us"])
        number = theirs["id"]
        theirs = theirs | {
            "end_us": None,
            "van_file": self._van_file(theirs["van_file"]),
        }
        del theirs["id"]
        columns, marks = ", ".join(theirs), ", ".join("?" * len(theirs))
        (run,) = self.connection.execute(
            f"INSERT INTO run ({columns}) VALUES ({marks}) RETURNING id",  # noqa: S608
            tuple(theirs.values()),
        ).fetchone()
        self.connection.execute(
            "INSERT INTO event (run, t_us, kind, text) VALUES (?, 0, ?, ?)",
            (run, JOINED, "This run was brought in from another log of the van."),
        )
        self._take_marks(number, int(run))
        return int(run)

    def _take_marks(self, number: int, run: int) -> None:
        """Take over what was erased from a run there; nothing of it is here yet."""
        for _, what, _ in self.source.rows("shed", number):
            if what in (PLACES, NOTES):
                mark(self.connection, run, what)
        for start_us, end_us in self._erased_there(number):
            mark_stretch(self.connection, run, start_us, end_us)

    def _erased_there(self, number: int) -> list[tuple[int, int]]:
        return [(a, b) for _, _, a, b in self.source.rows("erased", number)]

    def _is_before_another(self, start_us: int | None) -> bool:
        row = self.connection.execute(
            "SELECT 1 FROM run WHERE start_us > ? AND NOT EXISTS (SELECT 1 FROM event"
            " WHERE run = run.id AND kind = ?) LIMIT 1",
            (start_us, JOINED),
        ).fetchone()
        return row is not None

    def _date(self, run: int, theirs: dict[str, Any]) -> None:
        """Take over a surer date, and what else is not known here."""
        start_us, is_sure, van_file = self.connection.execute(
            "SELECT start_us, is_start_sure, van_file FROM run WHERE id = ?", (run,)
        ).fetchone()
        if van_file is None:
            van_file = self._van_file(theirs["van_file"])
        is_surer = theirs["is_start_sure"] and not is_sure
        if theirs["start_us"] is not None and (is_surer or start_us is None):
            self.connection.execute(
                "UPDATE run SET start_us = ?, is_start_sure = ?, dated_by = ?"
                " WHERE id = ?",
                (theirs["start_us"], theirs["is_start_sure"], theirs["dated_by"], run),
            )
        self.connection.execute(
            "UPDATE run SET van_file = ?, zero_uptime_us ="
            " coalesce(zero_uptime_us, ?), boot = iif(boot = '', ?, boot),"
            " damaged_lines = max(damaged_lines, ?) WHERE id = ?",
            (van_file, theirs["zero_uptime_us"],
             theirs["boot"], theirs["damaged_lines"], run),
        )  # fmt: skip

    def _seconds(self) -> Iterator[str]:
        ticks = self.source.rows("tick")
        for (run, index), rows in groupby(ticks, _quarter_of_tick):
            seconds = list(rows)
            if run not in self.uniting.runs:
                self.uniting.miss("tick", len(seconds))
                continue
            quarter = Quarter(self.uniting.runs[run], index)
            job = partial(add_ticks, self.uniting, quarter, seconds)
            yield self._second_step(run, job)
        blocks = self.source.rows("block")
        for (run, index), rows in groupby(blocks, _quarter_of_block):
            folded = list(rows)
            if run not in self.uniting.runs:
                self.uniting.miss("block", len(folded))
                continue
            span = next(self.source.rows("span", run, index), None)
            packed = None if span is None else span[-1]
            quarter = Quarter(self.uniting.runs[run], index)
            job = partial(add_blocks, self.uniting, quarter, packed, folded)
            yield self._second_step(run, job)

    def _second_step(self, run: int, job: "partial[int]") -> str:
        self.joined.seconds += in_transaction(self.connection, job)
        return f"seconds of run {run}"

    def _frames(self) -> Iterator[str]:
        rows = self.source.rows("raw_block")
        while portion := list(islice(rows, FRAME_BLOCKS_A_STEP)):
            job = partial(add_frames, self.uniting, portion)
            in_transaction(self.connection, job)
            yield f"frames of run {portion[-1][1]}"

    def _plain(self, table: str) -> Iterator[str]:
        shape = self._shape(table)
        run_at = shape.columns.index("run")
        sql = shape.insert if table in PLAIN else _fuller(shape)
        rows = self.source.rows(table)
        while portion := list(islice(rows, ROWS_A_STEP)):
            mapped = self.uniting.mapped(shape, portion)
            in_transaction(
                self.connection, partial(self.connection.executemany, sql, mapped)
            )
            yield f"{table} rows of run {portion[-1][run_at]}"

    def _close(self, number: int) -> None:
        theirs = {
            table: Theirs(self._shape(table), list(self.source.rows(table, number)))
            for table in SETTLED
        }
        settle(self.uniting, number, theirs, self.source.is_whole())


def _quarter_of_tick(row: Sequence[Any]) -> tuple[int, int]:
    return row[0], row[1] // TICKS_PER_QUARTER


def _quarter_of_block(row: Sequence[Any]) -> tuple[int, int]:
    return row[2], row[3]


def _fuller(shape: Shape) -> str:
    """Return the statement that stores a row, or replaces one of fewer samples."""
    key = ", ".join(shape.columns[: shape.key])
    others = ", ".join(
        f"{name} = excluded.{name}" for name in shape.columns[shape.key :]
    )
    return (
        f"INSERT INTO {shape.table} ({shape.comma}) VALUES ({shape.marks})"  # noqa: S608
        f" ON CONFLICT ({key}) DO UPDATE SET {others} WHERE excluded.n > n"
    )
