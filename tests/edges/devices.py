"""What the tests of the sources plug in and pull: terminals, buses, those who speak."""

import itertools
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import can

from logger.clock import Clock
from logger.decode.frames import Frame, Line, Raw
from logger.sources.inbox import Inbox, Notice
from logger.sources.supervisor import Session, Source, Supervisor

LONGEST_S = 20.0
"""A busy machine may take its time; a broken program never gets there."""

_names = itertools.count()


def until(is_so: Callable[[], bool], longest_s: float = LONGEST_S) -> bool:
    """Wait for a condition; return whether it came true."""
    for _ in range(int(longest_s / 0.005)):
        if is_so():
            return True
        time.sleep(0.005)
    return is_so()


class Terminal:
    """A serial adapter behind a name that stays, as under /dev/serial/by-id.

    Args:
        folder: Where the name is made.
        name: The name.
    """

    def __init__(self, folder: Path, name: str = "box") -> None:
        self.path = folder / name
        self._master = -1
        self.plug()

    @property
    def is_plugged(self) -> bool:
        """True while it is in."""
        return self._master >= 0

    def plug(self) -> None:
        """Put it in; as a rule it is another device under the same name."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def pull(self) -> None:
        """Pull the plug."""
        if self._master >= 0:
            os.close(self._master)
            self.path.unlink()
        self._master = -1

    def speak(self, data: bytes) -> None:
        """Let the box say something; waits while nobody listens and much is held."""
        while data:
            data = data[os.write(self._master, data) :]

    def heard(self) -> bytes:
        """Return what was written to the box; waits for something."""
        return os.read(self._master, 4096)

    def written(self) -> bytes:
        """Return what was written to the box, without waiting for it."""
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        is_there = any(event & select.POLLIN for _, event in poll.poll(0))
        return self.heard() if is_there else b""

    def is_held(self) -> bool:
        """Return whether somebody has the other end open."""
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))


class Wire:
    """A virtual CAN bus with somebody on it."""

    def __init__(self) -> None:
        self.channel = f"wire {next(_names)}"
        self._bus = can.Bus(interface="virtual", channel=self.channel)

    def speak(self, number: int, can_id: int = 0x123) -> None:
        """Let the box say a number, in four bytes."""
        data = number.to_bytes(4, "big")
        self.put(
            can.Message(arbitration_id=can_id, is_extended_id=can_id > 0x7FF, data=data)
        )

    def put(self, message: can.Message) -> None:
        """Put any frame on the bus."""
        self._bus.send(message)

    def close(self) -> None:
        """Take the box off the bus."""
        self._bus.shutdown()


class Talker:
    """Somebody who counts aloud on a thread of its own.

    Args:
        say: Says a number.
        pause_s: Between two numbers.
    """

    def __init__(self, say: Callable[[int], None], pause_s: float) -> None:
        self.said = 0
        self._say = say
        self._pause_s = pause_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, daemon=True)
        self._thread.start()

    def _talk(self) -> None:
        while not self._stop.wait(self._pause_s):
            self._say(self.said)
            self.said += 1

    def stop(self) -> None:
        """Fall silent; what was said is then all that was said."""
        self._stop.set()
        self._thread.join()


class Listener:
    """Takes from an inbox, as the daemon does, and sorts what it took."""

    def __init__(self, inbox: Inbox) -> None:
        self.items: list[Raw] = []
        self.notices: list[Notice] = []
        self._inbox = inbox
        self._data: dict[str, list[bytes]] = {}

    def now_us(self) -> int:
        """Return the time that items are stamped with."""
        return self._inbox.now_us()

    def take(self) -> None:
        """Take what waits."""
        taken = self._inbox.take()
        self.items += taken.items
        self.notices += taken.notices
        for item in taken.items:
            if isinstance(item, Frame):
                self._data.setdefault(item.bus, []).append(item.data)
            elif isinstance(item, Line):
                self._data.setdefault(item.port, []).append(item.data)

    def data(self, name: str) -> list[bytes]:
        """Return what came on a bus or a port, by the name in the van file."""
        self.take()
        return self._data.get(name, [])

    def numbers(self, name: str) -> list[int]:
        """Return the numbers that a talker said on a bus or a port."""
        return [
            int(data) if data.isdigit() else int.from_bytes(data, "big")
            for data in self.data(name)
        ]

    def told(self, source: str) -> list[str]:
        """Return the kinds of the notices about a source, in order."""
        self.take()
        return [notice.kind for notice in self.notices if notice.source == source]


@contextmanager
def attended(
    inbox: Inbox, clock: Clock, *sources: Source
) -> Iterator[list[Supervisor]]:
    """Run sources under supervision; in the end each thread must be gone."""
    supervisors = [Supervisor(source, inbox, clock) for source in sources]
    for supervisor in supervisors:
        supervisor.start()
    try:
        yield supervisors
    finally:
        for supervisor in supervisors:
            supervisor.stop()
        for supervisor in supervisors:
            assert supervisor.join(LONGEST_S), supervisor.name


class Tripped:
    """A real source that is made to fail from outside.

    Attributes:
        error: Raised at the next reading, once; None to let it be.
        opened: How often it was opened.
        closed: How often it was closed.
    """

    def __init__(self, source: Source) -> None:
        self.error: Exception | None = None
        self.opened = 0
        self.closed = 0
        self.session: Session | None = None
        self._source = source

    @property
    def name(self) -> str:
        """Name of the source."""
        return self._source.name

    def trip(self, error: Exception) -> None:
        """Make it fail once; returns when it has been opened anew."""
        opened = self.opened
        self.error = error
        assert until(lambda: self.opened > opened)

    def open(self) -> "Tripped":
        """Open the real source."""
        self.session = self._source.open()
        self.opened += 1
        return self

    def read(self) -> int:
        """Read the real source, or fail."""
        error, self.error = self.error, None
        if error is not None:
            raise error
        assert self.session is not None
        return self.session.read()

    def close(self) -> None:
        """Close the real source."""
        self.closed += 1
        assert self.session is not None
        self.session.close()
