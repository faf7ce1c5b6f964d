"""The live stream: at once, at every change, at least once a second, for everyone."""

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from itertools import islice
from pathlib import Path

import httpx2 as httpx
import pytest

from dashboard.guests import COOKIE
from dashboard.newest import Newest
from dashboard.site import Site
from dashboard.stream import STREAMS_PER_ADDRESS, Listener, Stream
from logger.clock import uptime_us
from logger.core.tick import US_PER_S
from logger.live import Snapshot, SnapshotFile
from tests.running import COMMAND
from tests.web.sites import Served, events, serving, site, snapshot, token

LONGEST_S = 30.0


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return replace(site(tmp_path), is_open_here=True)


@pytest.fixture
def file(van: Site) -> SnapshotFile:
    assert van.snapshots is not None
    return van.snapshots


@pytest.fixture
def served(van: Site) -> Iterator[Served]:
    with serving(van) as found:
        yield found


def seqs(found: object) -> list[int]:
    """Return the snapshot's number in each event."""
    return [json.loads(each["data"])["seq"] for each in found]  # type: ignore[attr-defined]


class Reader:
    """Reads the messages of one stream as they come."""

    def __init__(self, stream: httpx.Response) -> None:
        self._lines = stream.iter_lines()

    def until(self, seq: int) -> str:
        """Return the next message with that number."""
        return next(
            line
            for line in self._lines
            if line.startswith("data: ") and json.loads(line[6:])["seq"] == seq
        )


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for a condition, and fail if it never comes."""
    pause = threading.Event()
    end_us = uptime_us() + int(LONGEST_S * US_PER_S)
    while not holds():
        assert uptime_us() < end_us
        pause.wait(0.02)


def test_every_connect_gets_the_newest_message_first(
    served: Served, file: SnapshotFile
) -> None:
    file.write(snapshot(seq=41))
    with served.client() as client:
        for _ in range(2):
            with client.stream("GET", "/api/stream") as stream:
                assert stream.headers["content-type"].startswith("text/event-stream")
                assert stream.headers["cache-control"] == "no-store"
                assert "content-encoding" not in stream.headers
                (first,) = events(stream, 1)
            assert first["retry"] == "1000"
            assert int(first["id"]) > 0
            assert json.loads(first["data"])["seq"] == 41


def test_a_change_is_sent(served: Served, file: SnapshotFile) -> None:
    file.write(snapshot(seq=1))
    with served.client() as client, client.stream("GET", "/api/stream") as stream:
        iterator = stream.iter_lines()
        seen: list[int] = []
        ids: list[int] = []
        for line in iterator:
            if line.startswith("id: "):
                ids.append(int(line[4:]))
            if not line.startswith("data: "):
                continue
            seen.append(json.loads(line[6:])["seq"])
            if seen[-1] == 3:
                break
            file.write(snapshot(seq=seen[-1] + 1))
    assert sorted(set(seen)) == [1, 2, 3]
    assert seen == sorted(seen)
    assert ids == sorted(ids)


def test_silence_is_broken_once_a_second_with_grown_ages(
    served: Served, file: SnapshotFile
) -> None:
    file.write(snapshot(seq=1))
    with served.client() as client, client.stream("GET", "/api/stream") as stream:
        found = events(stream, 4)
    assert seqs(found) == [1, 1, 1, 1]
    ages = [json.loads(each["data"])["charge"]["figure"]["age_s"] for each in found]
    assert ages == sorted(ages)
    assert ages[3] - ages[1] > 1.0
    ids = [int(each["id"]) for each in found]
    assert ids[3] - ids[2] > 500  # and no flood of them


def test_a_phone_taken_off_the_list_is_sent_nothing_more(
    van: Site, file: SnapshotFile
) -> None:
    shut = replace(van, is_open_here=False)
    given = token(shut)
    file.write(snapshot(seq=1))
    with serving(shut) as found, found.client() as client:
        client.headers["cookie"] = f"{COOKIE}={given}"
        with client.stream("GET", "/api/stream") as stream:
            assert stream.status_code == 200
            assert shut.desk is not None
            shut.desk.unpair(1)
            # Three lines a message, one message a second: it ends long before that.
            assert len(list(islice(stream.iter_lines(), 150))) < 150
        assert client.get("/api/stream").status_code == 401


def test_a_dead_logger_is_shown(served: Served, file: SnapshotFile) -> None:
    file.write(snapshot(seq=1, ago_s=3600.0))
    with served.client() as client:
        old = client.get("/api/now").json()
        assert "No link" in old["strip"]["words"]
        with client.stream("GET", "/api/stream") as stream:
            lines = stream.iter_lines()
            file.remove()
            gone = next(
                message
                for line in lines
                if line.startswith("data: ")
                and (message := json.loads(line[6:]))["seq"] == 0
            )
    assert "No link" in gone["strip"]["words"]
    assert gone["charge"]["figure"]["state"] == "none"
    assert gone["strip"]["for_s"] > 3000.0


def test_now_is_the_message_of_the_stream(served: Served, file: SnapshotFile) -> None:
    file.write(snapshot(seq=5))
    with served.client() as client:
        now = client.get("/api/now").json()
        with client.stream("GET", "/api/stream") as stream:
            (first,) = events(stream, 1)
    assert json.loads(first["data"]).keys() == now.keys()
    assert now["seq"] == 5


def test_two_listeners_get_the_same_message(served: Served, file: SnapshotFile) -> None:
    file.write(snapshot(seq=1))
    with served.client() as one, served.client() as two, ExitStack() as stack:
        readers = [
            Reader(stack.enter_context(client.stream("GET", "/api/stream")))
            for client in (one, two)
        ]
        for reader in readers:
            reader.until(1)
        file.write(snapshot(seq=2))
        first, second = [reader.until(2) for reader in readers]
    assert first == second


def test_a_browser_gets_four_streams_and_no_fifth(served: Served) -> None:
    with served.client() as client, ExitStack() as stack:
        for _ in range(STREAMS_PER_ADDRESS):
            stream = stack.enter_context(client.stream("GET", "/api/stream"))
            assert stream.status_code == 200
        fifth = client.get("/api/stream")
        assert fifth.status_code == 503
        assert fifth.json()["error"]["where"] == "GET /api/stream"
        assert client.get("/api/now").status_code == 200


def test_a_listener_that_leaves_makes_room(served: Served) -> None:
    for _ in range(3):
        with served.client() as client, ExitStack() as stack:
            for _ in range(STREAMS_PER_ADDRESS):
                stack.enter_context(client.stream("GET", "/api/stream"))
        wait_until(lambda: not served.app.state.stream.listeners)


def test_a_reader_that_takes_nothing_costs_the_others_nothing(
    served: Served, file: SnapshotFile
) -> None:
    many = {f"cell.{number}.voltage_v": 3.9 for number in range(1, 200)}
    file.write(snapshot(seq=1, values=many))
    with socket.create_connection(("127.0.0.1", served.port)) as idle:
        idle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        idle.sendall(b"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        with served.client() as client, client.stream("GET", "/api/stream") as stream:
            reader = Reader(stream)
            for seq in range(2, 60):
                file.write(snapshot(seq=seq, values=many))
                assert reader.until(seq)


def test_streams_end_with_the_server(van: Site) -> None:
    with ExitStack() as stack:
        served = stack.enter_context(serving(van))
        client = stack.enter_context(served.client())
        stream = stack.enter_context(client.stream("GET", "/api/stream"))
        lines = stream.iter_lines()
        assert next(lines)
        served.app.state.stream.close()
        assert all(isinstance(line, str) for line in lines)  # to a proper end
        assert client.get("/api/stream").status_code == 503


def test_the_command_prints_its_address_and_stops_when_told(tmp_path: Path) -> None:
    named = {"--log": "van.db", "--live": "live.json", "--desk": "desk.db"}
    files = [
        word for option, name in named.items() for word in (option, tmp_path / name)
    ]
    started = subprocess.Popen(
        [COMMAND, "serve", *files, "--port", "0", "--open-here"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": ""},
    )
    with started, httpx.Client(timeout=LONGEST_S) as client:
        assert started.stdout is not None
        assert started.stderr is not None
        line = started.stdout.readline()
        assert line.startswith("Ampledger: http://127.0.0.1:")
        address = line.removeprefix("Ampledger: ").strip()
        with client.stream("GET", f"{address}api/stream") as stream:
            assert len(events(stream, 2)) == 2
            started.send_signal(signal.SIGTERM)
            assert started.wait(LONGEST_S) == 0
        assert started.stderr.read() == ""


def test_a_van_without_phones_shows_a_code_where_it_is_served(tmp_path: Path) -> None:
    named = {"--log": "van.db", "--live": "live.json", "--desk": "desk.db"}
    files = [
        word for option, name in named.items() for word in (option, tmp_path / name)
    ]
    words = [COMMAND, "serve", *files, "--port", "0", "--host"]
    for host, has_code in (("0.0.0.0", True), ("127.0.0.1", False)):
        started = subprocess.Popen([*words, host], stdout=subprocess.PIPE, text=True)
        with started:
            assert started.stdout is not None
            address = started.stdout.readline().removeprefix("Ampledger: ").strip()
            assert httpx.get(f"{address}api/hello", timeout=LONGEST_S).is_success
            started.send_signal(signal.SIGTERM)
            said = started.stdout.read()
            assert started.wait(LONGEST_S) == 0
        assert bool(re.search(r"Type \d{4} \d{4} at http://", said)) is has_code


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        done = subprocess.run(
            [COMMAND, "serve", "--log", tmp_path / "a", "--live", tmp_path / "b",
             "--desk", tmp_path / "c", "--port", port],
            capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert f"--port {port}" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_listener_holds_one_message_the_newest() -> None:
    async def scene() -> tuple[bytes | None, bytes | None]:
        listener = Listener("a")
        for event in (b"1", b"2", b"3"):
            listener.offer(event)
        first = await listener.take()
        listener.end()
        return first, await listener.take()

    assert asyncio.run(scene()) == (b"3", None)


def test_a_message_that_cannot_be_made_stops_the_stream_for_a_moment_only(
    file: SnapshotFile, caplog: pytest.LogCaptureFixture
) -> None:
    failing = threading.Event()

    def make(found: Snapshot | None, age_s: float) -> bytes:
        del found, age_s
        if failing.is_set():
            failing.clear()
            raise ValueError("cannot be made")
        return b"{}"

    async def scene() -> int:
        stream = Stream(Newest(file), make)
        listener = Listener("a")
        stream.listeners.add(listener)
        stream.start()
        failing.set()
        count = 0
        async with asyncio.timeout(LONGEST_S):
            for _ in range(2):
                await listener.take()
                count += 1
        stream.close()
        return count

    assert asyncio.run(scene()) == 2
    assert "failed 1 times" in caplog.text


def test_a_message_of_several_lines_stays_one_event(file: SnapshotFile) -> None:
    stream = Stream(Newest(file), lambda _found, _age_s: b'{\n"a": 1}')
    head, *rest = stream.event().decode().split("\n")
    assert head.startswith("id: ")
    assert rest == ["data: {", 'data: "a": 1}', "", ""]
