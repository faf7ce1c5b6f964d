"""Whose book a log is, and which run is which, in every copy of it.

A van may declare an identity in its van file; otherwise its first log makes one up. A
recording is the same run wherever it was played; a live run gets an identity of its
own.
"""

import hashlib
import secrets

from logger.clock import Clock
from logger.errors import StoreError
from logger.store.connect import Connection


def run_uid(recording_sha256: str | None) -> str:
    """Return the identity of a run that begins, 32 hexadecimal digits."""
    return recording_sha256[:32] if recording_sha256 else secrets.token_hex(16)


def van_file(connection: Connection, text: str) -> int:
    """Return the number of a van file's text in an open log; stored where it is new."""
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    connection.execute(
        "INSERT INTO van_file (sha256, text) VALUES (?, ?)"
        " ON CONFLICT (sha256) DO NOTHING",
        (sha256, text),
    )
    row = connection.execute(
        "SELECT id FROM van_file WHERE sha256 = ?", (sha256,)
    ).fetchone()
    return int(row[0])


def van_id(connection: Connection) -> tuple[str, bool] | None:
    """Return whose log it is, and whether its van file says so; None for a new log."""
    row = connection.execute("SELECT id, is_declared FROM van").fetchone()
    return None if row is None else (str(row[0]), bool(row[1]))


def own_van(connection: Connection, name: str, declared: str, clock: Clock) -> None:
    """See that an open log belongs to a van; a transaction is under way.

    Args:
        connection: The log.
        name: Its file's name, for messages.
        declared: The identity in the van file; empty where there is none.
        clock: Dates a new identity.

    Raises:
        StoreError: The log is declared another van's.
    """
    known = van_id(connection)
    if known is not None and declared not in ("", known[0]) and known[1]:
        raise StoreError(
            where=name,
            saw=f"the log of the van {known[0]}, not of {declared}",
            fix="Give another log, or look at the key id of [van].",
        )
    if known is None or (declared and not known[1]):
        connection.execute("DELETE FROM van")
        connection.execute(
            "INSERT INTO van (id, is_declared, made_us) VALUES (?, ?, ?)",
            (declared or secrets.token_hex(16), int(bool(declared)), clock.wall_us()),
        )
