"""A van for the browser: the real application, the real file of snapshots, a real log.

The logger's part is a thread that writes the file five times a second: the file is the
interface between the two processes.
"""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from dashboard.app import create_app
from dashboard.server import Server, make_server
from dashboard.site import Site
from logger.clock import Clock
from logger.core.tick import US_PER_S
from logger.live import Snapshot, SnapshotFile
from tests.web.scenes import SCENE, written_now

NAME = "van.test"
"""A name that is not this computer's own; the browser is told where it is."""

LONGEST_S = 20.0


@dataclass(slots=True)
class Logger:
    """Writes snapshots until it is told to stop.

    Args:
        file: Where to.
    """

    file: SnapshotFile
    scene: Snapshot = SCENE
    _seq: int = 0
    _pen: threading.Lock = field(default_factory=threading.Lock)
    _stop: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to write."""
        self._stop.clear()
        self.write()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def write(self) -> None:
        """Write one snapshot now; one at a time, as from one logger."""
        with self._pen:
            self._seq += 1
            self.file.write(written_now(self.scene, self._seq))

    def _run(self) -> None:
        while not self._stop.wait(0.2):
            self.write()

    def has_died(self, ago_s: float) -> None:
        """Die, and leave the file as it would lie there some time after."""
        self.stop()
        newest = written_now(self.scene, self._seq + 1)
        written_us = newest.written_us - int(ago_s * US_PER_S)
        self.file.write(replace(newest, written_us=written_us))

    def stop(self) -> None:
        """Die: the file stays as it was written last."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(LONGEST_S)
            self._thread = None


@dataclass(slots=True)
class Van:
    """A running dashboard with its logger.

    Args:
        site: What is served.
        logger: Who writes.
        port: Where it listens, on loopback.
        app: The application that listens, or listened last.
    """

    site: Site
    logger: Logger
    port: int
    app: FastAPI = field(default_factory=FastAPI)
    _server: Server | None = None
    _socket: socket.socket | None = None
    _thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """The address on loopback."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def named_url(self) -> str:
        """The address by a name, plain http, not loopback to the browser."""
        return f"http://{NAME}:{self.port}"

    def serve(self) -> None:
        """Begin to listen; connections that come before it is ready wait."""
        self.app = create_app(self.site)
        self._server = make_server(self.app)
        self._socket = socket.create_server(("127.0.0.1", self.port))
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}
        )
        self._thread.start()

    def kill(self) -> None:
        """Stop listening and end the open streams."""
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(LONGEST_S)
            assert not self._thread.is_alive()
        if self._socket is not None:
            self._socket.close()
        self._server = self._thread = self._socket = None


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def running(folder: Path, log: Path, **settings: Any) -> Iterator[Van]:
    """Run a van in a folder, over a log.

    Args:
        folder: For the snapshot.
        log: The log.
        settings: What differs of the site: open, locked, a demo, a desk.
    """
    file = SnapshotFile(folder / "live.json")
    options = {"desk": None, "is_open_here": True, **settings}
    site = Site(
        log_path=log,
        snapshots=file,
        clock=Clock(),
        names=frozenset({"127.0.0.1", "localhost", NAME}),
        **options,
    )
    van = Van(site, Logger(file), free_port())
    van.logger.start()
    van.serve()
    try:
        yield van
    finally:
        van.kill()
        van.logger.stop()
