"""A van for the browser: the real application, the real file of snapshots, a real log.

The logger's part is a thread that writes the file five times a second: the file is the
interface between the two processes.
"""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import uvicorn

from dashboard.app import create_app
from dashboard.site import Site
from logger.clock import Clock
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
    _stop: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to write."""
        self._stop.clear()
        self.write()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def write(self) -> None:
        """Write one snapshot now."""
        self._seq += 1
        self.file.write(written_now(self.scene, self._seq))

    def _run(self) -> None:
        while not self._stop.wait(0.2):
            self.write()

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
    """

    site: Site
    logger: Logger
    port: int
    _server: uvicorn.Server | None = None
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
        """Begin to listen; return when it does."""
        config = uvicorn.Config(
            create_app(self.site),
            host="127.0.0.1",
            port=self.port,
            log_level="error",
            ws="none",
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run)
        self._thread.start()
        waiting = threading.Event()
        for _ in range(200):
            if self._server.started:
                return
            waiting.wait(LONGEST_S / 200)
        raise TimeoutError(self.url)

    def kill(self) -> None:
        """Stop listening at once, open streams and all."""
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._server.force_exit = True
            self._thread.join(LONGEST_S)
        self._server = self._thread = None


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def running(folder: Path, log: Path, **settings: bool) -> Iterator[Van]:
    """Run a van in a folder, over a log.

    Args:
        folder: For the snapshot.
        log: The log.
        settings: What differs of the site: open, locked, a demo.
    """
    file = SnapshotFile(folder / "live.json")
    options = {"is_open_here": True, "locks_while_moving": True, **settings}
    site = Site(
        log_path=log,
        snapshots=file,
        desk=None,
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
