"""Keeps one source going on a thread of its own, whatever happens to it.

Opens, reads, and opens again: after an error, and after a silence. Nothing that a
source does reaches another one. All times are the clock's, so that a faster clock waits
shorter.
"""

import logging
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal, Protocol

from logger.clock import Clock
from logger.sources.condition import SOUND, Condition, Conditioned, Placed
from logger.sources.inbox import Inbox
from logger.sources.pace import US_PER_S, BackOff, Rate, Silence
from logger.sources.reasons import reason_of

log = logging.getLogger(__name__)

State = Literal["open", "silent", "lost"]

LOOK_S = 0.25
"""Real time between two looks whether a device has come back: it is opened then, and
not only when the next try is due. A look costs some microseconds."""


class Session(Protocol):
    """An opened device."""

    def read(self) -> int:
        """Hand what came in to the inbox, waiting for it at most 0.2 s of real time.

        Returns:
            How many items came.
        """

    def close(self) -> None:
        """Let go of the device."""


class Source(Protocol):
    """A device that can be opened again and again."""

    @property
    def name(self) -> str:
        """For example `bus drive` or `port roof`; no other source has it."""

    def open(self) -> Session:
        """Open the device.

        Raises:
            SourceError: It cannot be opened as it is.
        """


@dataclass(frozen=True, slots=True)
class Status:
    """How a source stands.

    Attributes:
        name: The source's name.
        state: Open, open but silent, or lost.
        text: What is wrong, in words; empty while open.
        heard_us: When something was heard last, microseconds since the inbox's zero;
            None while nothing ever was.
        rate_hz: Items a second over the last few seconds.
        dropped: Items thrown away because too many were waiting.
        condition: What is wrong although it is open.
    """

    name: str
    state: State
    text: str
    heard_us: int | None
    rate_hz: float
    dropped: int
    condition: Condition = SOUND


class Supervisor:
    """One source, its thread, and how it stands.

    Args:
        source: What to open and read.
        inbox: Where notices go; also gives the time.
        clock: What waits.
    """

    def __init__(self, source: Source, inbox: Inbox, clock: Clock) -> None:
        self.name = source.name
        self._source = source
        self._inbox = inbox
        self._clock = clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=source.name, daemon=True)
        self._silence = Silence(clock.speed)
        self._back_off = BackOff()
        self._is_silent = False
        self._away_since_us: int | None = None
        self._reopen_us: int | None = None
        # What other threads ask for:
        self._lock = threading.Lock()
        self._state: State = "lost"
        self._text = "not opened yet"
        self._heard_us: int | None = None
        self._rate = Rate()

    def start(self) -> None:
        """Begin to open and read."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; returns at once."""
        self._stop.set()

    def join(self, timeout: float | None = None) -> bool:
        """Wait for the thread, s of real time; return whether it has ended."""
        if self._thread.ident is not None:
            self._thread.join(timeout)
        return not self._thread.is_alive()

    def status(self) -> Status:
        """Return how the source stands; any thread may ask."""
        dropped = self._inbox.dropped(self.name)
        now_us = self._inbox.now_us()
        source = self._source
        condition = source.condition() if isinstance(source, Conditioned) else SOUND
        with self._lock:
            return Status(
                name=self.name,
                state=self._state,
                text=self._text,
                heard_us=self._heard_us,
                rate_hz=self._rate.hz(now_us),
                dropped=dropped,
                condition=condition,
            )

    def _run(self) -> None:
        """Keep the source going until the end."""
        while not self._stop.is_set():
            # The wait stands outside of the handling: what was raised holds on to what
            # was being opened, and with it to the device.
            if not self._has_held():
                self._wait_for_return(self._back_off.next_s())

    def _has_held(self) -> bool:
        """Attend to the source; return False if it failed."""
        try:
            self._attend()
        # Broad on purpose: drivers raise whatever they like when a plug is pulled, and
        # a thread that ends would be a source that never comes back.
        except Exception as err:
            log.debug("%s failed", self.name, exc_info=True)
            self._lose(reason_of(err))
            return False
        return True

    def _wait_for_return(self, seconds: float) -> None:
        """Wait until the next try is due, or the device is seen to have come back."""
        source, until_us = self._source, self._inbox.now_us() + int(seconds * US_PER_S)
        if not isinstance(source, Placed):
            self._clock.wait(self._stop, seconds)
            return
        seen = source.sign()
        while (left_us := until_us - self._inbox.now_us()) > 0:
            left_s = left_us / US_PER_S / self._clock.speed
            if self._stop.wait(min(LOOK_S, left_s)) or source.sign() != seen:
                return

    def _attend(self) -> None:
        """Open the source and read it until it is time to open it anew."""
        session = self._source.open()
        try:
            opened_us = self._inbox.now_us()
            self._note_opened(opened_us)
            while not self._stop.is_set():
                count = session.read()
                now_us = self._inbox.now_us()
                self._note(count, now_us, opened_us)
                if self._reopen_us is not None and now_us >= self._reopen_us:
                    return
        finally:
            # Closed before any wait: with the old descriptor held, an adapter that is
            # plugged in again gets another name. A driver that fails at that, too, must
            # not hide why it is closed.
            with suppress(Exception):
                session.close()

    def _note_opened(self, now_us: int) -> None:
        """Take in that the source was opened.

        After a failure that proves little: some devices open well and fail at the first
        reading. So an outage ends with a reading, and only the first opening counts.
        """
        self._reopen_us = None
        if self._is_silent:
            self._reopen_us = now_us + int(self._back_off.next_s() * US_PER_S)
        elif self._away_since_us is None:
            self._set("open", "")

    def _note(self, count: int, now_us: int, opened_us: int) -> None:
        """Take in what a reading came to."""
        if count:
            self._hear(count, now_us)
        elif self._is_silent:
            if self._state == "lost":
                self._set("silent", "opened again, but nothing is heard")
        elif self._state == "lost":
            self._come_back(now_us)
        elif self._silence.is_over(now_us):
            self._fall_silent(now_us)
        if self._away_since_us is None:
            self._back_off.hold(now_us - opened_us)

    def _hear(self, count: int, now_us: int) -> None:
        """Take in that the source speaks."""
        if self._state != "open":
            self._come_back(now_us)
        self._silence.hear(now_us)
        with self._lock:
            self._heard_us = now_us
            self._rate.add(now_us, count)

    def _come_back(self, now_us: int) -> None:
        """End the outage, if there was one; the first opening is none."""
        if self._state == "lost":
            self._silence.restart(now_us)
        self._set("open", "")
        self._is_silent = False
        self._reopen_us = None
        if self._away_since_us is not None:
            away_s = (now_us - self._away_since_us) / US_PER_S
            self._away_since_us = None
            self._inbox.tell(self.name, "source back", f"after {away_s:.1f} s")

    def _fall_silent(self, now_us: int) -> None:
        """Begin an outage in which the device is there and says nothing."""
        limit_s = self._silence.limit_us(now_us) / US_PER_S
        text = f"nothing heard for more than {limit_s:.0f} s"
        self._set("silent", text)
        self._is_silent = True
        self._reopen_us = now_us
        self._away_since_us = now_us
        self._inbox.tell(self.name, "source silent", text)

    def _lose(self, reason: str) -> None:
        """Begin an outage, or go on with one; told once."""
        is_new = self._state != "lost" or self._away_since_us is None
        self._set("lost", reason)
        if self._away_since_us is None:
            self._away_since_us = self._inbox.now_us()
        if is_new:
            self._inbox.tell(self.name, "source lost", reason)

    def _set(self, state: State, text: str) -> None:
        """Write down how the source stands."""
        with self._lock:
            self._state, self._text = state, text
