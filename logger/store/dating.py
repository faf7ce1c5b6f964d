"""Sets the date of a run right: one row, whatever was stored in the run.

Runs of the same start of the computer lie where its uptime puts them, so that one
confirmed date is enough for all of them.
"""

from logger.core.tick import US_PER_S
from logger.store.connect import Connection


def redate(
    connection: Connection, run: int, start_us: int, dated_by: str, t_us: int
) -> None:
    """Set the date of a run, and of the unsure ones of the same boot.

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
        " AND is_start_sure = 0 AND zero_uptime_us IS NOT NULL",
        (boot, run),
    ).fetchall()
    for other, other_us in others:
        zero_us = start_us + other_us - uptime_us
        _set(connection, other, zero_us, dated_by, t_us + uptime_us - other_us)


def _set(
    connection: Connection, run: int, start_us: int, dated_by: str, t_us: int
) -> None:
    (before_us,) = connection.execute(
        "SELECT start_us FROM run WHERE id = ?", (run,)
    ).fetchone()
    moved = "" if before_us is None else f", {(start_us - before_us) / US_PER_S:+.1f} s"
    connection.execute(
        "UPDATE run SET start_us = ?, is_start_sure = 1, dated_by = ? WHERE id = ?",
        (start_us, dated_by, run),
    )
    connection.execute(
        "INSERT OR REPLACE INTO event (run, t_us, kind, text) VALUES (?, ?, ?, ?)",
        (run, t_us, "date set", f"The date is confirmed by {dated_by}{moved}."),
    )
