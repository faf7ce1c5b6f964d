"""Tells when too much waits beside the log, in its WAL, for a reader that stays.

What is stored goes into the WAL first and from there into the log, but not past what
some reader still looks at. A reader that never ends lets the WAL grow until the card is
full; nothing is lost by it, and only a person can end it.
"""

from dataclasses import dataclass
from pathlib import Path

ALARM_BYTES = 64 << 20
"""Sixteen times what waits otherwise (design judgement)."""


def wal_bytes(path: Path) -> int:
    """Return how large the WAL of a log is, bytes; 0 where there is none.

    Args:
        path: The log.
    """
    try:
        return path.with_name(path.name + "-wal").stat().st_size
    except FileNotFoundError:
        return 0


@dataclass(slots=True)
class WaitingWal:
    """Looks at the WAL of a log; tells the start, every doubling and the end.

    Args:
        path: The log.
    """

    path: Path
    _told_bytes: int = 0

    def look(self) -> str:
        """Return what is new, in words; empty where nothing is."""
        size = wal_bytes(self.path)
        if size >= max(ALARM_BYTES, 2 * self._told_bytes):
            self._told_bytes = size
            return (
                f"{size >> 20} MiB wait beside the log: something has been reading it"
                " for too long. End whatever else has the log open."
            )
        if self._told_bytes and size < ALARM_BYTES:
            self._told_bytes = 0
            return "What waited beside the log has been taken in."
        return ""
