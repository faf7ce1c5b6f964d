"""What of a log tells where its van was and what its people wrote.

A run from which such things were erased on request is marked, so that no copy brings
them back.
"""

from logger.store.connect import Connection

POSITIONS = (
    "gps.latitude_deg",
    "gps.longitude_deg",
    "gps.altitude_m",
    "gps.track_deg",
)
"""Channels that tell a place, or the way to one."""

PLACES, NOTES = "places", "notes"
"""Marks in the table `shed`: erased on request."""

FOR_EVER = (1 << 63) - 1
"""Up to when: no later row of the run brings them back."""


def marks(connection: Connection, run: int) -> set[str]:
    """Return what was erased from a run on request: places, notes."""
    rows = connection.execute(
        "SELECT what FROM shed WHERE run = ? AND what IN (?, ?)", (run, PLACES, NOTES)
    ).fetchall()
    return {str(what) for (what,) in rows}


def mark(connection: Connection, run: int, what: str) -> None:
    """Write down that places or notes were erased; a transaction is under way."""
    connection.execute(
        "INSERT OR REPLACE INTO shed (run, what, until_us) VALUES (?, ?, ?)",
        (run, what, FOR_EVER),
    )


def erased_stretches(connection: Connection, run: int) -> list[tuple[int, int]]:
    """Return the stretches of a run that were erased on request: start and end, us."""
    rows = connection.execute(
        "SELECT start_us, end_us FROM erased WHERE run = ?", (run,)
    ).fetchall()
    return [(int(start_us), int(end_us)) for start_us, end_us in rows]


def mark_stretch(connection: Connection, run: int, start_us: int, end_us: int) -> None:
    """Write down that a stretch is erased; a transaction is under way."""
    connection.execute(
        "INSERT OR IGNORE INTO erased (run, what, start_us, end_us)"
        " VALUES (?, 'trip', ?, ?)",
        (run, start_us, end_us),
    )
