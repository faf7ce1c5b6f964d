"""The web server with limits of our own: half-sent requests, crowds, stalled readers.

The server that we build on waits for ever for the rest of a request and for a reader
that reads nothing; a few dozen such connections would lock everybody out. Knows
connections and time, no page.
"""

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, assert_never

import h11
import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

from dashboard.envelope import secured

CONNECTIONS_PER_ADDRESS = 20
CONNECTIONS = 200
"""Well below the 1,024 files a process may open."""

LONGEST_HEAD_BYTES = 16 * 1024

WAITING_BYTES = 16 * 1024
"""So much may wait for a reader in the program, and as much again in the system: a
phone that wakes up shall not get a minute of old messages first."""

Phase = Literal["head", "body", "answer"]


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is waited for whom.

    Attributes:
        head_s: The head of a request has to be there after this, however it trickles.
        body_s: And the body, 1 MB at most, after this.
        stall_s: A reader that takes nothing for so long is gone.
    """

    head_s: float = 10.0
    body_s: float = 30.0
    stall_s: float = 15.0

    def limit_s(self, phase: Phase) -> float | None:
        """Return how long a phase may last, s; None for as long as it takes."""
        match phase:
            case "head":
                return self.head_s
            case "body":
                return self.body_s
            case "answer":
                return None
            case _:
                assert_never(phase)


class Connection(H11Protocol):
    """One connection: ended when its request does not come or its answer is not taken.

    Counted by address, and told from the crowd before a byte of it is read.
    """

    patience: Patience = Patience()
    _phase: Phase = "answer"
    _deadline: asyncio.TimerHandle | None = None
    _stall: asyncio.TimerHandle | None = None

    def connection_made(  # type: ignore[override] # as the class above has it
        self, transport: asyncio.Transport
    ) -> None:
        """Count the connection; turn it away where there are too many."""
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=WAITING_BYTES)
        _tune(transport.get_extra_info("socket"))
        if self._is_crowd():
            transport.close()
        self._watch()

    def _is_crowd(self) -> bool:
        address = self.client and self.client[0]
        others = (getattr(each, "client", None) for each in self.connections)
        same = sum(1 for other in others if other and other[0] == address)
        return same > CONNECTIONS_PER_ADDRESS or len(self.connections) > CONNECTIONS

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        super().connection_lost(exc)
        _cancel(self._deadline)
        _cancel(self._stall)

    def data_received(self, data: bytes) -> None:
        """Take what came, and see whether a request is whole now."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._watch()

    def _watch(self) -> None:
        phase = self._phase_now()
        if phase == self._phase:
            return  # the time runs on, however the bytes trickle
        _cancel(self._deadline)
        self._phase, self._deadline = phase, None
        limit_s = self.patience.limit_s(phase)
        if limit_s is not None:
            self._deadline = self.loop.call_later(limit_s, self.transport.close)

    def _phase_now(self) -> Phase:
        if self.conn.their_state is h11.SEND_BODY:
            return "body"
        is_idle = self.cycle is None or self.cycle.response_complete
        return "head" if is_idle else "answer"

    def pause_writing(self) -> None:
        """Give a reader that is behind some time."""
        super().pause_writing()
        self._stall = self.loop.call_later(self.patience.stall_s, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on with a reader that has caught up."""
        super().resume_writing()
        _cancel(self._stall)

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, with the same headers as everything."""
        body = (
            b'{"error":{"where":"the request","saw":"no HTTP that can be read",'
            b'"fix":"Use a browser, or mend the program that sent it."}}'
        )
        given = [(b"content-type", b"application/json"), (b"connection", b"close")]
        answer = h11.Response(status_code=400, headers=secured(given), reason=msg[:40])
        for event in (answer, h11.Data(data=body), h11.EndOfMessage()):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()


def _cancel(timer: asyncio.TimerHandle | None) -> None:
    if timer is not None:
        timer.cancel()


def _tune(sock: socket.socket | None) -> None:
    """Let little wait in the system, and notice a vanished phone; where it can be."""
    if sock is None or sock.family not in (socket.AF_INET, socket.AF_INET6):
        return
    options = {"TCP_NOTSENT_LOWAT": WAITING_BYTES, "TCP_USER_TIMEOUT": 20_000}
    for name, value in options.items():
        if hasattr(socket, name):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


class Server(uvicorn.Server):
    """A server that ends the streams first when it is told to stop.

    Args:
        config: How to serve.
        on_stop: Ends what would go on for ever.
    """

    def __init__(self, config: uvicorn.Config, on_stop: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_stop = on_stop

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop within two seconds."""
        self._on_stop()
        await super().shutdown(sockets)


def make_server(app: FastAPI, http: type[Connection] = Connection) -> Server:
    """Return a server for a dashboard; `run(sockets=[...])` serves.

    Args:
        app: The dashboard.
        http: How patient its connections are.
    """
    config = uvicorn.Config(
        app,
        http=http,
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_config=None,
        log_level="error",  # a line for each request that is no HTTP would be a flood
        access_log=False,
        server_header=False,
        proxy_headers=False,  # nobody tells us who somebody else is
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=LONGEST_HEAD_BYTES,
    )
    return Server(config, app.state.stream.close)
