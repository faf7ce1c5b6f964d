"""What a live run takes over from those before it, if the log can be read at all."""

import logging
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.core.dating import Dated
from logger.core.soc import UNKNOWN, Count
from logger.errors import StoreError
from logger.store.carrying import carried_to_live_run, told_before
from logger.store.dating import first_date
from logger.store.packed import DamagedRowError
from logger.store.reader import Log

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Wall:
    """What the computer's clock says of a run's zero.

    Attributes:
        zero_us: Its date, microseconds since the Unix epoch.
        is_sure: Whether something outside confirmed that clock.
        zero_uptime_us: Uptime of the computer, microseconds; None for an invented time,
            which has no place in it.
    """

    zero_us: int
    is_sure: bool
    zero_uptime_us: int | None


@dataclass(frozen=True, slots=True)
class Past:
    """What a run takes over from those before it."""

    carried: Count | None
    newest_entry: int
    date: Dated
    told: Mapping[str, float] = field(default_factory=dict)


def left_behind(path: Path, wall: Wall, boot: str, channels: Sequence[str]) -> Past:
    """Return what the runs before left, in a log that may not be readable just now.

    Args:
        path: The log.
        wall: What the computer's clock says of the run's zero.
        boot: Which start of the computer it is; empty if not known.
        channels: The channels that people tell by hand.
    """
    wall_date = first_date((), wall.zero_us, wall.is_sure, boot, wall.zero_uptime_us)
    if not path.exists():
        return Past(None, 0, wall_date)
    try:
        with Log(path) as found:
            date = first_date(
                found.runs(), wall.zero_us, wall.is_sure, boot, wall.zero_uptime_us
            )
            carried = carried_to_live_run(found, date.start_us)
            told = told_before(found, channels)
            return Past(carried, found.newest_entry(), date, told)
    except (StoreError, sqlite3.Error, DamagedRowError) as err:
        # Nothing is known, and nothing is made up: the van file's start is for a van
        # that was never counted.
        log.error("The count that the log holds cannot be read: %s", err)
        return Past(UNKNOWN, 0, wall_date)
