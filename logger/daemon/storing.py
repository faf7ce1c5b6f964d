"""Hands batches to the log without ever waiting for the card.

A card that is full, slow or read-only must not stop the live view: batches wait here,
in their order, and the first one is tried until it is stored. Storing a batch twice
changes nothing, so a failure that may have succeeded is simply tried again. A damaged
log is set aside, and a new one begun. While nothing waits, the log is kept in order.
"""

import logging
import threading

from logger.clock import uptime_us
from logger.core.dating import Dated
from logger.daemon.book import Book
from logger.daemon.waiting import Waiting
from logger.errors import CardError, DamageError, StoreError
from logger.store.rows import Batch, Event

log = logging.getLogger(__name__)

RETRY_S = (1.0, 2.0, 5.0)
"""Real time between two tries, the last one again and again."""

SLOW_AT = 30
"""Batches that wait without an error: the card hangs or lags, and that is told."""

LAST_RETRY_S = 0.1
"""Real time between two tries once the program was told to end."""

TRIES = 3
"""How often a batch is tried that the card does not refuse and that fails all the same:
it must not bar those behind it for ever."""

MOST_REPLACED = 3
"""How often a log is set aside while the program runs: what goes wrong again and again
is no single page."""

TIDY_S = 1.0
"""Real time between two looks for what can be done while nothing waits."""


class Storing:
    """One thread that stores the batches of one run.

    Args:
        book: The log. From now on this thread alone uses it, until `finish` is over.
    """

    def __init__(self, book: Book, trouble: str = "") -> None:
        self._book = book
        self._waiting = Waiting()
        self._changed = threading.Condition()
        self._trouble = trouble
        self._damage = ""
        self._replaced = 0
        self._stored = 0
        self._ending = threading.Event()
        self._given_up = threading.Event()
        self._thread = threading.Thread(target=self._store_all, name="storing")
        self._thread.start()

    @property
    def run(self) -> int:
        """Number of the run in the log; 0 while no log is open."""
        return self._book.run

    def put(self, batch: Batch) -> None:
        """Store a batch soon; returns at once."""
        self._add(batch)

    def redate(self, date: Dated) -> None:
        """Set the run's date right, behind all that waits; returns at once."""
        self._add(date)

    def _add(self, item: Batch | Dated) -> None:
        with self._changed:
            self._waiting.add(item)
            self._changed.notify()

    def set_aside(self, why: str) -> None:
        """Take the log for damaged; returns at once.

        Args:
            why: What is wrong with it.
        """
        with self._changed:
            self._damage = why
            self._changed.notify()

    @property
    def trouble(self) -> str:
        """Why nothing is being stored, in words; empty while all is well."""
        trouble = self._trouble
        if not trouble and len(self._waiting) > SLOW_AT:
            trouble = "a card that is slow"
        lost = self._waiting.lost.text
        return f"{trouble} {lost} were lost.".strip() if trouble and lost else trouble

    @property
    def notice(self) -> str:
        """What a person has to know of the log, in words; empty for nothing."""
        return self._book.notice or self._book.shortage

    def finish(self, timeout_s: float, refused_s: float = 1.0) -> bool:
        """Store what waits, as long as it takes up to a limit; end the thread.

        Args:
            timeout_s: Real time to wait at most while the card takes something, s.
            refused_s: Real time to wait at most for a card that takes nothing, s.

        Returns:
            Whether everything was stored.
        """
        with self._changed:
            self._ending.set()
            self._changed.notify()
        end_us = uptime_us() + int(timeout_s * 1e6)
        stored, quiet_us = self._stored, uptime_us()
        while self._thread.is_alive() and uptime_us() < end_us:
            self._thread.join(0.05)
            if self._stored != stored:
                stored, quiet_us = self._stored, uptime_us()
            if self._trouble and uptime_us() - quiet_us > refused_s * 1e6:
                break
        # A card that takes nothing is not tried for ever: the program was told to end.
        with self._changed:
            left = len(self._waiting)
            self._waiting.clear()
            self._given_up.set()
        self._thread.join()
        return left == 0

    def _store_all(self) -> None:
        while self._has_more():
            if self._damage:
                self._replace_log()
            if len(self._waiting) == 0:
                continue
            item = self._waiting.first
            if self._is_stored(item):
                with self._changed:
                    if len(self._waiting) and self._waiting.first is item:
                        self._waiting.done()
                self._stored += 1

    def _has_more(self) -> bool:
        """Wait for something to store, tidying meanwhile; False when none will come."""
        while True:
            with self._changed:
                if self._given_up.is_set():
                    return False
                if len(self._waiting) or self._damage:
                    return True
                if self._ending.is_set():
                    return False
            if not self._is_tidied():
                with self._changed:
                    if not (len(self._waiting) or self._ending.is_set()):
                        self._changed.wait(TIDY_S)

    def _is_tidied(self) -> bool:
        """Do a portion of what can wait; return whether there may be more."""
        try:
            return self._book.tidy()
        except DamageError as err:
            self._damage = err.faults[0].saw
            return True
        except StoreError as err:
            self._fail(err)
            return False

    def _is_stored(self, item: Batch | Dated) -> bool:
        """Try until something is stored or given up; return whether it is over."""
        tries = 0
        while not self._given_up.is_set():
            try:
                self._book.store(item)
            except CardError as err:
                self._fail(err)
            except DamageError as err:
                self._damage = err.faults[0].saw
                return False
            except StoreError as err:
                self._fail(err)
                if tries >= TRIES:
                    self._part(item, err)
                    return True
            else:
                self._note_stored()
                return True
            self._make_room()
            # Who ends must not sleep through the moment when the card is back.
            if self._ending.wait(RETRY_S[min(tries, len(RETRY_S) - 1)]):
                self._given_up.wait(LAST_RETRY_S)
            tries += 1
        return False

    def _make_room(self) -> None:
        """Let go what may be let go: it may be just what the card has no room for."""
        if self._book.run:
            self._is_tidied()

    def _part(self, item: Batch | Dated, error: StoreError) -> None:
        """Store what can be stored of a batch that fails whatever the card does."""
        log.error("A batch is given up: %s", error)
        lost = []
        if isinstance(item, Batch):
            for kind, part in (
                ("seconds and sums", Batch(item.outputs)),
                ("frames and lines", Batch(raw=item.raw)),
                ("events", Batch(events=item.events, pins=item.pins)),
            ):
                try:
                    self._book.store(part)
                except StoreError:
                    lost.append(kind)
        text = f"Not stored, {error.faults[0].saw}: {', '.join(lost) or 'a date'}."
        at_us = next((each.t_us for each in getattr(item, "raw", ())), 0)
        with self._changed:
            self._waiting.add_next(Batch(events=[Event(at_us, "not stored", text)]))
        self._note_stored()

    def _replace_log(self) -> None:
        why, self._damage = self._damage, ""
        if self._replaced >= MOST_REPLACED:
            self._trouble = why
            self._ending.wait(RETRY_S[-1])
            return
        self._replaced += 1
        try:
            self._book.replace_log(why, 0)
        except StoreError as err:
            self._fail(err)

    def _fail(self, error: StoreError) -> None:
        if not self._trouble:
            log.error("%s", error)
        self._trouble = error.faults[0].saw

    def _note_stored(self) -> None:
        if self._trouble:
            log.warning("the log is being stored again")
            self._trouble = ""
        with self._changed:
            # Told before all that waits: no hole may look like silence.
            event = self._waiting.lost.event()
            if event is not None:
                self._waiting.add_next(Batch(events=[event]))
