"""Looks after the log once a day: is it sound, and is there a copy of today.

On a thread of its own, at low priority, reading only. What it finds is told to who
stores; the log is never changed from here.
"""

import logging
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger.clock import Clock
from logger.errors import StoreError
from logger.store.copying import give_up_oldest, make_copy
from logger.store.soundness import find_damage

log = logging.getLogger(__name__)

DAY_S = 86_400.0
FIRST_S = 5.0
"""Real time until the first look: the first samples are stored by then."""

END_S = 1.0
"""Real time that a stop may take here."""

LOW_PRIORITY = 10


@dataclass(frozen=True, slots=True)
class Copies:
    """How many daily copies are kept, and where; none where `keep` is 0."""

    keep: int
    folder: Path


@dataclass(frozen=True, slots=True)
class Told:
    """Where findings go.

    Attributes:
        damaged: Takes what is wrong with the log.
        remark: Takes what else a person has to know, in words; empty when it is over.
        date_us: Returns the date, microseconds since the Unix epoch, and whether it is
            confirmed.
    """

    damaged: Callable[[str], None]
    remark: Callable[[str], None]
    date_us: Callable[[], tuple[int, bool]]


class Care:
    """One thread that looks after one log.

    Args:
        path: The log.
        clock: What a day is told by.
        copies: Which copies are asked for.
        told: Where findings go.
    """

    def __init__(self, path: Path, clock: Clock, copies: Copies, told: Told) -> None:
        self._path = path
        self._clock = clock
        self._copies = copies
        self._told = told
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="care", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread; a check or copy under way is given up.

        One that cannot be interrupted is not waited for: it only reads.
        """
        self._stop.set()
        self._thread.join(END_S)

    def _run(self) -> None:
        if hasattr(os, "setpriority") and hasattr(threading, "get_native_id"):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), LOW_PRIORITY)
        pause_s = FIRST_S
        while not self._stop.wait(pause_s):
            self.look()
            pause_s = DAY_S / self._clock.speed

    def look(self) -> None:
        """Check the log and make the copy of today."""
        if not self._path.exists():
            return
        damage = find_damage(self._path, self._stop.is_set)
        if damage is not None:
            self._told.damaged(damage)
            return
        if self._copies.keep > 0:
            self._copy()

    def _copy(self) -> None:
        date_us, is_sure = self._told.date_us()
        copies = self._copies
        try:
            made = make_copy(self._path, copies.folder, date_us, self._stop.is_set)
            # By a date that is not confirmed the newest copy may look like the oldest.
            if made is not None and is_sure:
                give_up_oldest(self._path, copies.folder, copies.keep)
        except (StoreError, OSError) as err:
            log.error("No copy of the log was made: %s", err)
            self._told.remark(f"No copy of the log was made today: {err}")
        else:
            self._told.remark("")
