"""What every page stands on: where things are read from, and who may see what.

Built once by the command that serves; nothing global. Knows no page.
"""

from dataclasses import dataclass
from pathlib import Path

from logger.clock import Clock
from logger.desk import Desk
from logger.live import SnapshotFile


@dataclass(frozen=True, slots=True)
class Site:
    """One dashboard.

    Attributes:
        log_path: The log; it may not be there yet.
        snapshots: The snapshot of the logger on this computer; None where a log is
            opened from afar.
        desk: Where a person's entries go; None where nothing may be entered.
        clock: Tells ages and dates.
        names: Host names and addresses, without port, by which this computer may be
            called.
        is_open_here: True if a browser on this very computer needs no pairing (demo).
        locks_while_moving: True if only Drive is shown while the van moves.
        is_demo: True if what is shown is an invented van.
    """

    log_path: Path
    snapshots: SnapshotFile | None
    desk: Desk | None
    clock: Clock
    names: frozenset[str]
    is_open_here: bool = False
    locks_while_moving: bool = True
    is_demo: bool = False
