"""Paired phones, and the window in which one more may join: rows of the desk.

Knows a connection and the digests; neither the file nor a page. No secret is stored:
of a phone's token only its SHA-256 digest (nobody guesses 256 random bits), of a
pairing code, which has few digits, a salted and slow one.
"""

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from sqlite3 import Connection

from logger.core.tick import US_PER_S

CODE_DIGITS = 8
"""With five tries at most, one in 20 million guesses its way in."""

PAIRING_S = 600
"""A code lives ten minutes: time to walk to the van with a phone."""

WRONG_TRIES = 5
"""So many wrong codes close the window; whoever sits at the computer opens another."""

PHONE_TABLES = (
    """CREATE TABLE IF NOT EXISTS pairing (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    salt BLOB NOT NULL,
    code_digest BLOB NOT NULL,
    opened_us INTEGER NOT NULL,
    wrong INTEGER NOT NULL DEFAULT 0
) STRICT""",
    """CREATE TABLE IF NOT EXISTS phone (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    token_sha256 BLOB NOT NULL UNIQUE,
    paired_us INTEGER,
    label TEXT NOT NULL
) STRICT""",
)


@dataclass(frozen=True, slots=True)
class Phone:
    """A browser that was paired.

    Attributes:
        number: Its number, never used again.
        paired_us: When, microseconds since the Unix epoch; None if not known.
        label: What its owner calls it.
    """

    number: int
    paired_us: int | None
    label: str


def open_window(connection: Connection, now_us: int) -> str:
    """Open the window for one phone; return the code, which replaces any earlier one.

    Args:
        connection: The desk, in a transaction.
        now_us: Uptime of the computer, microseconds.
    """
    code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}}"
    salt = secrets.token_bytes(16)
    connection.execute(
        "INSERT OR REPLACE INTO pairing (id, salt, code_digest, opened_us)"
        " VALUES (1, ?, ?, ?)",
        (salt, _slow_digest(code, salt), now_us),
    )
    return code


def admit(
    connection: Connection, code: str, now_us: int, label: str, paired_us: int | None
) -> str | None:
    """Take a phone in that tells the code; return its token, or None.

    Args:
        connection: The desk, in a transaction that is kept whatever is returned: wrong
            tries count.
        code: What was typed.
        now_us: Uptime of the computer, microseconds.
        label: What to call the phone.
        paired_us: The date, microseconds since the Unix epoch.
    """
    if not _is_code(connection, code, now_us):
        return None
    token = secrets.token_urlsafe(32)
    connection.execute("DELETE FROM pairing")
    connection.execute(
        "INSERT INTO phone (token_sha256, paired_us, label) VALUES (?, ?, ?)",
        (_digest(token), paired_us, label),
    )
    return token


def _is_code(connection: Connection, code: str, now_us: int) -> bool:
    """Return whether a code is the one that is waited for; count it where it is not."""
    row = connection.execute(
        "SELECT salt, code_digest, opened_us, wrong FROM pairing"
    ).fetchone()
    if row is None:
        return False
    salt, digest, opened_us, wrong = row
    # An uptime before the opening is that of another start of the computer.
    if not opened_us <= now_us < opened_us + PAIRING_S * US_PER_S:
        connection.execute("DELETE FROM pairing")
        return False
    if hmac.compare_digest(_slow_digest(code, salt), digest):
        return True
    if wrong + 1 >= WRONG_TRIES:
        connection.execute("DELETE FROM pairing")
    else:
        connection.execute("UPDATE pairing SET wrong = ?", (wrong + 1,))
    return False


def is_known(connection: Connection, token: str) -> bool:
    """Return whether a token belongs to a paired phone."""
    row = connection.execute(
        "SELECT 1 FROM phone WHERE token_sha256 = ?", (_digest(token),)
    ).fetchone()
    return row is not None


def listed(connection: Connection) -> list[Phone]:
    """Return the paired phones, in order of pairing."""
    rows = connection.execute(
        "SELECT number, paired_us, label FROM phone ORDER BY number"
    ).fetchall()
    return [Phone(*row) for row in rows]


def remove(connection: Connection, number: int) -> bool:
    """Take a phone's right away; return whether there was such a phone."""
    cursor = connection.execute("DELETE FROM phone WHERE number = ?", (number,))
    return cursor.rowcount > 0


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _slow_digest(code: str, salt: bytes) -> bytes:
    """Return a digest that takes tens of milliseconds: trying all codes takes weeks."""
    return hashlib.scrypt(code.encode(), salt=salt, n=2**14, r=8, p=1)
