"""The server's own limits: what does not come, what is not taken, and crowds."""

import socket
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import httpx2 as httpx
import pytest

from dashboard.names import addresses, own_addresses, own_names
from dashboard.server import CONNECTIONS_PER_ADDRESS, Connection, Patience
from dashboard.site import Site
from logger.clock import uptime_us
from logger.core.tick import US_PER_S
from tests.web.sites import Served, events, serving, site, snapshot

LONGEST_S = 30.0
HEAD = b"GET /api/hello HTTP/1.1\r\nHost: 127.0.0.1\r\n"


class Hasty(Connection):
    """A connection that waits a fraction of what it should, so that tests need not."""

    patience = Patience(head_s=0.4, body_s=0.4, stall_s=0.4)


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return replace(site(tmp_path), is_open_here=True)


def connected(served: Served) -> socket.socket:
    """Return a bare connection."""
    return socket.create_connection(("127.0.0.1", served.port), timeout=LONGEST_S)


def until_closed(sock: socket.socket, trickle: bytes = b"") -> bytes:
    """Return what comes until the other end closes, while a byte or so is sent."""
    came = b""
    sock.settimeout(0.1)
    end_us = uptime_us() + int(LONGEST_S * US_PER_S)
    while uptime_us() < end_us:
        try:
            part = sock.recv(65536)
            if not part:
                return came
            came += part
            sock.sendall(trickle)
        except TimeoutError:
            try:
                sock.sendall(trickle)
            except OSError:
                return came
        except OSError:
            return came
    raise AssertionError("still open")


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for a condition, and fail if it never comes."""
    pause = threading.Event()
    end_us = uptime_us() + int(LONGEST_S * US_PER_S)
    while not holds():
        assert uptime_us() < end_us
        pause.wait(0.02)


def test_waiting_has_the_limits_that_were_promised() -> None:
    plain = Patience()
    assert (plain.head_s, plain.body_s, plain.stall_s) == (10.0, 30.0, 15.0)
    assert Connection.patience == plain


def test_a_silent_connection_is_closed(van: Site) -> None:
    with serving(van, Hasty) as served, connected(served) as sock:
        assert until_closed(sock) == b""


def test_a_trickling_head_is_closed(van: Site) -> None:
    with serving(van, Hasty) as served, connected(served) as sock:
        sock.sendall(HEAD)
        assert until_closed(sock, b"X-A: b\r\n") == b""


def test_a_second_request_has_to_come_whole_too(van: Site) -> None:
    with serving(van, Hasty) as served, connected(served) as sock:
        sock.sendall(HEAD + b"\r\n" + HEAD)
        assert until_closed(sock, b"X-A: b\r\n").count(b"HTTP/1.1 200") == 1


def test_a_trickling_body_is_closed(van: Site) -> None:
    with serving(van, Hasty) as served, connected(served) as sock:
        host = f"127.0.0.1:{served.port}"
        sock.sendall(
            f"POST /pair HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
            "Content-Length: 100000\r\n\r\n".encode()
        )
        assert until_closed(sock, b"x") == b""


def test_a_reader_that_takes_nothing_is_let_go(van: Site) -> None:
    assert van.snapshots is not None
    many = {f"cell.{number}.voltage_v": 3.9 for number in range(1, 200)}
    with serving(van, Hasty) as served, socket.socket() as idle:
        idle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        idle.connect(("127.0.0.1", served.port))
        idle.sendall(b"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        listeners = served.app.state.stream.listeners
        wait_until(lambda: bool(listeners))
        seq = 0

        def is_let_go() -> bool:
            nonlocal seq
            seq += 1
            assert van.snapshots is not None
            van.snapshots.write(snapshot(seq=seq, values=many))
            return not listeners

        wait_until(is_let_go)


def test_a_stream_lasts_longer_than_a_request_may(van: Site) -> None:
    with (
        serving(van, Hasty) as served,
        served.client() as client,
        client.stream("GET", "/api/stream") as stream,
    ):
        assert len(events(stream, 3)) == 3


def test_one_address_gets_twenty_connections(van: Site) -> None:
    with serving(van) as served, ExitStack() as stack:
        for _ in range(CONNECTIONS_PER_ADDRESS):
            stack.enter_context(connected(served))
        one_more = stack.enter_context(connected(served))
        assert until_closed(one_more) == b""
        stack.close()
        with served.client() as client:
            wait_until(lambda: _answers(client.get))


def _answers(get: Callable[[str], object]) -> bool:
    try:
        get("/api/hello")
    except httpx.TransportError:  # the old connections are not counted off yet
        return False
    return True


def test_a_crowd_of_one_address_shuts_nobody_else_out(van: Site) -> None:
    with serving(van) as served, ExitStack() as stack:
        for _ in range(CONNECTIONS_PER_ADDRESS):
            stack.enter_context(connected(served)).sendall(HEAD)
        other = socket.create_connection(
            ("127.0.0.1", served.port), LONGEST_S, source_address=("127.0.0.9", 0)
        )
        with other:
            other.sendall(HEAD + b"Connection: close\r\n\r\n")
            assert until_closed(other).startswith(b"HTTP/1.1 200")


def test_a_head_of_many_kilobytes_is_refused(van: Site) -> None:
    with serving(van) as served, connected(served) as sock:
        sock.sendall(HEAD + b"X-Big: " + b"y" * 100_000)
        assert until_closed(sock)[:12] in (b"HTTP/1.1 400", b"")


def test_this_computer_knows_its_names() -> None:
    host = socket.gethostname().lower()
    found = own_names(["Van.Example"])
    assert {"localhost", "127.0.0.1", "::1", host, "van.example"} <= found
    assert f"{host.removesuffix('.local')}.local" in found
    assert set(own_addresses()) <= found
    assert not any(each.startswith("127.") for each in own_addresses())


def test_the_first_address_is_for_a_browser_here() -> None:
    assert addresses("127.0.0.1", 8440) == ["http://127.0.0.1:8440/"]
    assert addresses("::1", 8440) == ["http://[::1]:8440/"]
    assert addresses("192.0.2.5", 80) == ["http://192.0.2.5:80/"]
    anywhere = addresses("0.0.0.0", 8440)
    assert anywhere[0] == "http://127.0.0.1:8440/"
    assert len(anywhere) == 1 + len(own_addresses())
