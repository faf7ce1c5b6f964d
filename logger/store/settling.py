"""What a run came to, out of two copies: sums, trips, the end, and what is kept.

What was worked out comes whole from the copy that goes further; the other one only
fills what was lost. All of it happens in a transaction of the caller.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.store.connect import Connection
from logger.store.private import NOTES, PLACES
from logger.store.shapes import Row, Shape
from logger.store.uniting import Uniting

SETTLED = ("run", "shed", "balance", "trip", "run_total", "refusal")
WORKED_OUT = ("trip", "run_total", "refusal")


@dataclass(frozen=True, slots=True)
class Theirs:
    """The rows of one table that the other log has of a run."""

    shape: Shape
    rows: Sequence[Row]

    @property
    def first(self) -> Mapping[str, Any]:
        """The first row by the names of its columns; empty where there is none."""
        return self.shape.named(self.rows[0]) if self.rows else {}


def settle(
    uniting: Uniting, number: int, theirs: Mapping[str, Theirs], is_whole: bool
) -> None:
    """Unite what a run came to; all its other rows were taken in before.

    Args:
        uniting: The open log.
        number: The run, by its number there.
        theirs: Their rows of the tables in `SETTLED`.
        is_whole: Whether none of their rows was lost.
    """
    connection, run = uniting.connection, uniting.runs[number]
    end_us, balance_us, entry = connection.execute(
        "SELECT end_us, t_us, newest_entry FROM run"
        " LEFT JOIN balance ON balance.run = run.id WHERE run.id = ?",
        (run,),
    ).fetchone()
    their_end_us = theirs["run"].first.get("end_us")
    balance = theirs["balance"].first
    ours = _reach(balance_us, end_us)
    reach = _reach(balance.get("t_us"), their_end_us)
    _keep(uniting, run, theirs["shed"], ours, reach if is_whole else (0, 0))
    is_further = reach > ours
    if is_further and is_whole:
        _clear(uniting, run)
    for table in WORKED_OUT:
        _fill(uniting, run, theirs[table], is_further)
    if balance and (is_further or balance_us is None):
        # Entries are numbered by the desk, and another log may have had another desk.
        booked = 0 if entry is None else max(entry, balance["newest_entry"])
        row = dict(balance) | {"run": run, "newest_entry": booked}
        _store("REPLACE", connection, theirs["balance"].shape, [tuple(row.values())])
    if their_end_us is not None:
        connection.execute(
            "UPDATE run SET end_us = max(coalesce(end_us, ?), ?) WHERE id = ?",
            (their_end_us, their_end_us, run),
        )


def _reach(balance_us: int | None, end_us: int | None) -> tuple[int, int]:
    """Return how far a copy of a run goes: its balance, then its end."""
    return (
        -1 if balance_us is None else balance_us,
        -1 if end_us is None else end_us,
    )


def _clear(uniting: Uniting, run: int) -> None:
    for table in WORKED_OUT:
        if table == "refusal" and uniting.is_erased(run, PLACES):
            continue
        uniting.connection.execute(
            f"DELETE FROM {table} WHERE run = ?",  # noqa: S608 (our own names)
            (run,),
        )


def _fill(uniting: Uniting, run: int, theirs: Theirs, is_further: bool) -> None:
    table = theirs.shape.table
    if table == "refusal" and uniting.is_erased(run, PLACES):
        return
    rows = list(uniting.mapped(theirs.shape, theirs.rows))
    if table == "trip" and not is_further:
        rows = [row for row in rows if not _has_trip(uniting.connection, row)]
    verb = "REPLACE" if is_further else "IGNORE"
    _store(verb, uniting.connection, theirs.shape, rows)


def _has_trip(connection: Connection, trip: Row) -> bool:
    """Return whether a trip here shares time with one of theirs."""
    row = connection.execute(
        "SELECT 1 FROM trip WHERE run = ? AND start_us <= ? AND end_us >= ?",
        (trip[0], trip[2], trip[1]),
    ).fetchone()
    return row is not None


def _store(verb: str, connection: Connection, shape: Shape, rows: list[Row]) -> None:
    connection.executemany(
        f"INSERT OR {verb} INTO {shape.table} ({shape.comma})"  # noqa: S608
        f" VALUES ({shape.marks})",
        rows,
    )


def _keep(
    uniting: Uniting,
    run: int,
    theirs: Theirs,
    ours: tuple[int, int],
    reach: tuple[int, int],
) -> None:
    """Unite what is no longer kept: what one copy kept is kept now.

    A copy keeps everything from where it was shed up to where it goes. Only where that
    meets what the other one keeps is the earlier beginning true of both together.
    """
    connection = uniting.connection
    shed = {what: until_us for _, what, until_us in theirs.rows}
    here = dict(
        connection.execute(
            "SELECT what, until_us FROM shed WHERE run = ?", (run,)
        ).fetchall()
    )
    for what in sorted((shed.keys() | here.keys()) - {PLACES, NOTES}):
        copies = sorted(
            [(here.get(what, 0), max(ours)), (shed.get(what, 0), max(reach))]
        )
        (earlier_us, reach_us), (later_us, _) = copies
        until_us = earlier_us if reach_us >= later_us else later_us
        connection.execute("DELETE FROM shed WHERE run = ? AND what = ?", (run, what))
        if until_us > 0:
            connection.execute(
                "INSERT INTO shed (run, what, until_us) VALUES (?, ?, ?)",
                (run, what, until_us),
            )
