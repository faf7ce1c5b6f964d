"""The live stream: one message made once, handed to everyone who listens.

Server-sent events straight on ASGI. One task looks for a new snapshot; every listener
holds at most one message that waits, the newest, so that a slow one costs nobody else
anything. Knows no content: what is sent is made by a function that it is given.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from starlette.types import Message, Receive, Scope, Send

from dashboard.newest import Newest
from dashboard.refusals import RefusalJson
from logger.clock import uptime_us
from logger.errors import Fault
from logger.live import Snapshot

log = logging.getLogger(__name__)

POLL_S = 0.01
"""How often the file in memory is looked at while somebody listens: snapshots come
every 200 ms and go out within 20 ms."""

REST_S = 0.15
"""After a snapshot the next one is not looked for so soon: looking 100 times a second
costs as much as serving 50 listeners."""

IDLE_S = 0.25
"""The same while nobody listens; whoever comes is served at once all the same."""

SILENCE_US = 900_000
"""After this the newest is sent again with its age: at least one message a second."""

STREAMS_PER_ADDRESS = 4
STREAMS = 100
"""More than these are turned away: six hold up a browser, and memory has an end."""

RESTART_S = 1.0
"""A task that failed begins anew after this."""

ASK_US = 5_000_000
"""How often it is asked whether a listener may still listen: a phone that is taken off
the list shall be out within seconds, whatever it holds open."""

RETRY = b"retry: 1000\n"

MakeMessage = Callable[[Snapshot | None, float], bytes]
"""Makes one message, JSON, of the newest snapshot and its age in s."""

IsWelcome = Callable[[], Awaitable[bool]]
"""Tells whether a listener may still listen."""

_START: Message = {
    "type": "http.response.start",
    "status": 200,
    "headers": [
        (b"content-type", b"text/event-stream; charset=utf-8"),
        (b"cache-control", b"no-store"),
    ],
}


@dataclass(slots=True, eq=False)
class Listener:
    """One open stream: at most one message that waits."""

    address: str
    waiting: bytes | None = None
    is_over: bool = False
    _bell: asyncio.Future[None] | None = None

    def offer(self, event: bytes) -> None:
        """Leave a message; an older one that still waits is thrown away."""
        self.waiting = event
        self._ring()

    def end(self) -> None:
        """End the stream."""
        self.is_over = True
        self._ring()

    def left(self, gone: asyncio.Task[None]) -> None:
        """End the stream because its listener has left, or sent what it may not."""
        if not gone.cancelled():
            gone.exception()  # looked at: it ends this stream and concerns nobody else
        self.end()

    def _ring(self) -> None:
        if self._bell is not None and not self._bell.done():
            self._bell.set_result(None)

    async def take(self) -> bytes | None:
        """Wait for the next message; None at the end."""
        while self.waiting is None and not self.is_over:
            self._bell = asyncio.get_running_loop().create_future()
            await self._bell
        event, self.waiting = self.waiting, None
        return None if self.is_over else event


@dataclass(slots=True, eq=False)
class Stream:
    """All open streams of one application.

    Args:
        newest: The newest snapshot.
        make: Makes a message of it.
    """

    newest: Newest
    make: MakeMessage
    listeners: set[Listener] = field(default_factory=set)
    _per_address: Counter[str] = field(default_factory=Counter)
    _task: asyncio.Task[None] | None = None
    _failures: int = 0
    _is_closed: bool = False

    def start(self) -> None:
        """Begin to look for snapshots, within a running loop."""
        self._is_closed = False
        self._task = asyncio.get_running_loop().create_task(self._watch())
        self._task.add_done_callback(self._began_anew)

    def close(self) -> None:
        """End every stream and the looking; nobody is admitted from now on."""
        self._is_closed = True
        if self._task is not None:
            self._task.cancel()
        for listener in self.listeners:
            listener.end()

    def message(self) -> bytes:
        """Return the message of this moment, JSON."""
        self.newest.look()
        return self.make(self.newest.snapshot, self.newest.age_s())

    def event(self) -> bytes:
        """Return the message of this moment as an event, with its number."""
        # Numbers rise even where the program was started anew on the same computer.
        number = uptime_us() // 1000
        data = self.message().replace(b"\n", b"\ndata: ")
        return b"id: %d\ndata: %b\n\n" % (number, data)

    async def _watch(self) -> None:
        version, sent_us = self.newest.version, 0
        while True:
            self.newest.look()
            is_new = self.newest.version != version
            if self.listeners and (is_new or uptime_us() - sent_us >= SILENCE_US):
                version, sent_us = self.newest.version, uptime_us()
                event = self.event()
                for listener in self.listeners:
                    listener.offer(event)
            active_s = REST_S if is_new else POLL_S
            await asyncio.sleep(active_s if self.listeners else IDLE_S)

    def _began_anew(self, task: asyncio.Task[None]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is None or self._is_closed:
            return
        self._failures += 1
        if self._failures & (self._failures - 1) == 0:  # at 1, 2, 4, 8 ...
            log.error("stream: failed %d times", self._failures, exc_info=error)
        task.get_loop().call_later(RESTART_S, self._start_again)

    def _start_again(self) -> None:
        if not self._is_closed:
            self.start()

    def is_full(self, address: str) -> bool:
        """Return whether one more from this address is too many."""
        return (
            self._is_closed
            or len(self.listeners) >= STREAMS
            or self._per_address[address] >= STREAMS_PER_ADDRESS
        )

    async def serve(
        self, scope: Scope, receive: Receive, send: Send, is_welcome: IsWelcome
    ) -> None:
        """Serve one listener until it leaves, may not stay, or all is closed."""
        address = scope["client"][0] if scope["client"] else ""
        if self.is_full(address):
            await RefusalJson(503, FULL)(scope, receive, send)
            return
        listener = Listener(address)
        self.listeners.add(listener)
        self._per_address[address] += 1
        gone = asyncio.ensure_future(_until_gone(receive))
        gone.add_done_callback(listener.left)
        try:
            await self._send_all(listener, send, is_welcome)
        finally:
            gone.cancel()
            self.listeners.discard(listener)
            self._per_address[address] -= 1
            self._per_address += Counter()  # forgets addresses without a stream

    async def _send_all(
        self, listener: Listener, send: Send, is_welcome: IsWelcome
    ) -> None:
        await send(_START)
        asked_us = uptime_us()
        event: bytes | None = RETRY + self.event()
        while event is not None:
            await send({"type": "http.response.body", "body": event, "more_body": True})
            event = await listener.take()
            if uptime_us() - asked_us >= ASK_US:
                asked_us = uptime_us()
                event = event if await is_welcome() else None
        await send({"type": "http.response.body", "body": b"", "more_body": False})


FULL = Fault(
    where="GET /api/stream",
    saw=f"more than {STREAMS_PER_ADDRESS} open streams of one address,"
    f" or {STREAMS} in all",
    fix="Close another page, or ask /api/now every second.",
)


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
