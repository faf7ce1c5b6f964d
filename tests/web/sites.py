"""Builds sites, snapshots and logs for the tests of the dashboard, and serves them."""

import socket
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import httpx2 as httpx
from fastapi import FastAPI
from fastapi.testclient import TestClient

from dashboard.app import create_app
from dashboard.guests import COOKIE
from dashboard.server import Connection, make_server
from dashboard.site import Site
from logger.clock import Clock, uptime_us
from logger.core.health import Health
from logger.core.tick import US_PER_S
from logger.desk import Desk
from logger.live import (
    FORM,
    LiveReading,
    LiveSource,
    LiveVan,
    Snapshot,
    SnapshotFile,
)

ORIGIN = "http://van.test"
VAN = LiveVan("Wagtail", "Europe/Lisbon", "kilometre", "celsius", 10.0)
HTML = {"accept": "text/html,application/xhtml+xml"}


def snapshot(
    seq: int = 1,
    values: Mapping[str, float] | None = None,
    ago_s: float = 0.0,
    is_moving: bool | None = False,
    stops: int = 0,
) -> Snapshot:
    """Return a snapshot of a van of which some channels were heard 0.1 s before it."""
    readings = {
        name: LiveReading(value, value, "", 0.1, 0.5, Health.FRESH, "bus drive")
        for name, value in (values or {"pack.soc_pct": 64.0}).items()
    }
    return Snapshot(
        form=FORM,
        program="ampledger test",
        seq=seq,
        written_us=uptime_us() - int(ago_s * US_PER_S),
        wall_us=1_790_000_000 * US_PER_S,
        is_clock_sure=True,
        speed=1.0,
        van=VAN,
        run=1,
        readings=readings,
        sources=(LiveSource("bus drive", "open", "", 0.1, 100.0, 0),),
        trip=None,
        is_moving=is_moving,
        stops=stops,
        desk_entry=0,
        not_stored="",
    )


def site(folder: Path, **changes: object) -> Site:
    """Return a site whose files lie in a folder, called `van.test`."""
    plain = Site(
        log_path=folder / "van.db",
        snapshots=SnapshotFile(folder / "live.json"),
        desk=Desk(folder / "desk.db"),
        clock=Clock(),
        names=frozenset({"van.test"}),
    )
    return replace(plain, **changes)  # type: ignore[arg-type] # fields by name


def token(of: Site) -> str:
    """Return the token of a phone that was just paired."""
    assert of.desk is not None
    found = of.desk.pair(of.desk.open_pairing(0), 1, "test")
    assert found is not None
    return found


@contextmanager
def asking(of: Site | FastAPI, token: str | None = None) -> Iterator[TestClient]:
    """Give a client from another computer, paired if it has a token."""
    app = of if isinstance(of, FastAPI) else create_app(of)
    cookies = {} if token is None else {COOKIE: token}
    with TestClient(
        app,
        base_url=ORIGIN,
        cookies=cookies,
        follow_redirects=False,
        raise_server_exceptions=False,
        client=("192.0.2.77", 50000),
    ) as client:
        yield client


@dataclass(frozen=True, slots=True)
class Served:
    """A dashboard that runs in a thread on a port of loopback."""

    app: FastAPI
    port: int
    thread: threading.Thread

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}"

    def client(self) -> httpx.Client:
        """Return a client that waits long enough for a busy machine."""
        return httpx.Client(base_url=self.url, timeout=30.0)


@contextmanager
def serving(of: Site, http: type[Connection] = Connection) -> Iterator[Served]:
    """Serve a site with the real server until the end of the block."""
    app = create_app(of)
    server = make_server(app, http)
    with closing(socket.create_server(("127.0.0.1", 0))) as sock:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]})
        thread.start()
        try:
            yield Served(app, sock.getsockname()[1], thread)
        finally:
            server.should_exit = True
            thread.join(30.0)
            assert not thread.is_alive()


def lines(stream: httpx.Response) -> Iterator[str]:
    """Give the lines of an event stream as they come."""
    yield from stream.iter_lines()


def events(stream: httpx.Response, count: int) -> Sequence[Mapping[str, str]]:
    """Return the next events of a stream as their fields by name."""
    found: list[dict[str, str]] = []
    fields: dict[str, str] = {}
    for line in lines(stream):
        if line:
            name, _, value = line.partition(": ")
            fields[name] = value
            continue
        found.append(fields)
        fields = {}
        if len(found) == count:
            break
    return found
