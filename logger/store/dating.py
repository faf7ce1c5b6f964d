"""Sets the date of a run right: one row, whatever was stored in the run.

Runs of the same start of the computer lie where its uptime puts them, so that one
confirmed date is enough for all of them.
"""

from collections.abc import Iterable

from logger.core.dating import RANKS, Dated, found_by
from logger.core.tick import US_PER_S
from logger.store.connect import Connection
from logger.store.reader import RunRow

PERSON = "person"


def first_date(
    runs: Iterable[RunRow],
    wall_us: int,
    is_wall_sure: bool,
    boot: str,
    zero_uptime_us: int | None,
) -> Dated:
    """Return the date with which a live run begins.

    What network or satellites confirmed to an earlier run of the same start of the
    computer still holds: its uptime tells how long ago that was.

    Args:
        runs: The runs of the log.
        wall_us: The run's zero by the wall clock, microseconds since the Unix epoch.
        is_wall_sure: Whether that clock is confirmed.
        boot: Which start of the computer it is; empty if not known.
        zero_uptime_us: Uptime of the computer at the run's zero, microseconds.
    """
    wall = Dated(wall_us, "network" if is_wall_sure else "computer", 0)
    if not boot or zero_uptime_us is None:
        return wall
    found = [
        (run.id, Dated(run.start_us + zero_uptime_us - run.zero_uptime_us, by, 0))
        for run in runs
        if run.boot == boot and run.is_start_sure
        if run.start_us is not None and run.zero_uptime_us is not None
        if (by := found_by(run.dated_by)) is not None
    ]
    return max(
        [(0, wall), *found], key=lambda each: (RANKS[each[1].dated_by], each[0])
    )[1]


def redate(
    connection: Connection, run: int, start_us: int, dated_by: str, t_us: int
) -> None:
    """Set the date of a run, and of those of the same boot that are less sure.

    A transaction is under way.

    Args:
        connection: The log.
        run: The run.
        start_us: The confirmed date of its zero, microseconds since the Unix epoch.
        dated_by: What gave it: `network`, `satellites` or `person`.
        t_us: When that was, microseconds since the run's zero.
    """
    boot, uptime_us = connection.execute(
        "SELECT boot, zero_uptime_us FROM run WHERE id = ?", (run,)
    ).fetchone()
    _set(connection, run, start_us, dated_by, t_us)
    if not boot or uptime_us is None:
        return
    others = connection.execute(
        "SELECT id, zero_uptime_us FROM run WHERE boot = ? AND id <> ?"
        " AND (is_start_sure = 0 OR dated_by = ?) AND zero_uptime_us IS NOT NULL",
        (boot, run, PERSON),
    ).fetchall()
    for other, other_us in others:
        zero_us = start_us + other_us - uptime_us
        _set(connection, other, zero_us, dated_by, max(0, t_us + uptime_us - other_us))


def _set(
    connection: Connection, run: int, start_us: int, dated_by: str, t_us: int
) -> None:
    before_us, *before = connection.execute(
        "SELECT start_us, is_start_sure, dated_by FROM run WHERE id = ?", (run,)
    ).fetchone()
    if (before_us, *before) == (start_us, 1, dated_by):
        return  # tried again, or taken over already
    moved = "" if before_us is None else f", {(start_us - before_us) / US_PER_S:+.1f} s"
    connection.execute(
        "UPDATE run SET start_us = ?, is_start_sure = 1, dated_by = ? WHERE id = ?",
        (start_us, dated_by, run),
    )
    connection.execute(
        "INSERT OR REPLACE INTO event (run, t_us, kind, text) VALUES (?, ?, ?, ?)",
        (run, t_us, "date set", f"The date is confirmed by {dated_by}{moved}."),
    )
