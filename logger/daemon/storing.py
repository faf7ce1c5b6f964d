"""Hands batches to the writer without ever waiting for the card.

A card that is full, slow or read-only must not stop the live view: batches wait here,
in their order, and the first one is tried until it is stored. Storing a batch twice
changes nothing, so a failure that may have succeeded is simply tried again.
"""

import logging
import threading
from collections import deque

from logger.core.dating import Dated
from logger.errors import StoreError
from logger.store.rows import Batch, Event
from logger.store.writer import Writer

log = logging.getLogger(__name__)

MOST_WAITING = 600
"""Batches, one a second: ten minutes are kept in memory before the oldest is lost."""

RETRY_S = (1.0, 2.0, 5.0)
"""Real time between two tries, the last one again and again."""

SLOW_AT = 30
"""Batches that wait without an error: the card hangs or lags, and that is told."""

LAST_RETRY_S = 0.1
"""Real time between two tries once the program was told to end."""


class Storing:
    """One thread that stores the batches of one run.

    Args:
        writer: Of the log.
        run: Number of the run.
    """

    def __init__(self, writer: Writer, run: int) -> None:
        self._writer = writer
        self._run = run
        self._batches: deque[Batch | Dated] = deque()
        self._changed = threading.Condition()
        self._trouble = ""
        self._lost = 0
        self._lost_us: list[int] = []
        self._ending = threading.Event()
        self._given_up = threading.Event()
        self._thread = threading.Thread(target=self._store_all, name="storing")
        self._thread.start()

    def put(self, batch: Batch) -> None:
        """Store a batch soon; returns at once."""
        with self._changed:
            self._batches.append(batch)
            if len(self._batches) > MOST_WAITING:
                self._lose_oldest()
            self._changed.notify()

    def redate(self, date: Dated) -> None:
        """Set the run's date right, behind all that waits; returns at once."""
        with self._changed:
            self._batches.append(date)
            self._changed.notify()

    def _lose_oldest(self) -> None:
        # The first one is under way in the writer's hands. A date is never lost.
        for place, batch in enumerate(self._batches):
            if place > 0 and isinstance(batch, Batch):
                self._lose(batch)
                del self._batches[place]
                return

    def _lose(self, batch: Batch) -> None:
        """Note that a batch will never be stored: no hole may look like silence."""
        self._lost += 1
        self._lost_us += [item.t_us for item in (*batch.raw[:1], *batch.raw[-1:])]
        self._lost_us = (
            [min(self._lost_us), max(self._lost_us)] if self._lost_us else []
        )

    @property
    def trouble(self) -> str:
        """Why nothing is being stored, in words; empty while all is well."""
        lost = f" {self._lost} s were lost." if self._lost else ""
        trouble = self._trouble
        if not trouble and len(self._batches) > SLOW_AT:
            trouble = "a card that is slow"
        return trouble + lost if trouble else ""

    def finish(self, timeout_s: float) -> bool:
        """Store what waits, as long as it takes up to a limit; end the thread.

        Args:
            timeout_s: Real time to wait at most, s.

        Returns:
            Whether everything was stored.
        """
        with self._changed:
            self._ending.set()
            self._changed.notify()
        self._thread.join(timeout_s)
        # A card that takes nothing is not tried for ever: the program was told to end.
        with self._changed:
            left = len(self._batches)
            self._batches.clear()
            self._given_up.set()
        self._thread.join()
        return left == 0

    def _store_all(self) -> None:
        while (batch := self._next()) is not None:
            tries = 0
            while not self._is_stored(batch) and not self._given_up.is_set():
                # Who ends must not sleep through the moment when the card is back.
                if self._ending.wait(RETRY_S[min(tries, len(RETRY_S) - 1)]):
                    self._given_up.wait(LAST_RETRY_S)
                tries += 1
            with self._changed:
                if self._batches and self._batches[0] is batch:
                    self._batches.popleft()

    def _next(self) -> Batch | Dated | None:
        """Wait for a batch; None when there is none and none will come."""
        with self._changed:
            while not self._batches and not self._ending.is_set():
                self._changed.wait()
            return self._batches[0] if self._batches else None

    def _is_stored(self, batch: Batch | Dated) -> bool:
        try:
            self._store(batch)
        except StoreError as err:
            if not self._trouble:
                log.error("%s", err)
            self._trouble = err.faults[0].saw
            return False
        if self._trouble:
            log.warning("the log is being stored again")
            self._trouble = ""
            self._tell_lost()
        return True

    def _store(self, batch: Batch | Dated) -> None:
        if isinstance(batch, Batch):
            self._writer.store(self._run, batch)
        else:
            self._writer.redate(self._run, batch.start_us, batch.dated_by, batch.t_us)

    def _tell_lost(self) -> None:
        """Put an event for what was lost in front of all that waits."""
        with self._changed:
            if self._lost == 0:
                return
            text = (
                f"The card took nothing for too long: {self._lost} s were not stored."
            )
            event = Event(min(self._lost_us, default=0), "not stored", text)
            self._batches.insert(1, Batch(events=[event]))
            self._lost, self._lost_us = 0, []
