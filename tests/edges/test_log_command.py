"""`ampledger log`, `run` and `demo` as processes: killed, told to end, kept going.

The van's meter is a real pseudo-terminal; pages are fetched as a browser would.
"""

import json
import os
import re
import signal
import socket
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.core.health import Health
from logger.core.tick import Tick
from logger.live import SnapshotFile
from logger.pipeline.chain import Pipeline
from logger.store.reader import Log, RunRow
from logger.van.reading import read_van
from replay.van_model.stage import open_port
from tests.bench.processes import children_of
from tests.edges.devices import Terminal
from tests.edges.modbus_line import serving, two_wire
from tests.running import COMMAND

LONGEST_S = 40.0
"""Real time that anything here may take on a busy machine."""

VAN = """
[van]
name = "Dotterel"

[pack]
nameplate_ah = 100.0
series_groups = 42
start_soc_pct = 80.0

[[port]]
name = "meter"
device = "{device}"

[[line]]
name = "main"
port = "meter"

[[feed]]
channel = "pack.current_a"
port = "meter"
line = "main"
field = "amps"

[[feed]]
channel = "pack.voltage_v"
port = "meter"
line = "main"
field = "volts"
"""

FILES = ("--log", "van.db", "--live", "live.json", "--desk", "desk.db")


@dataclass
class Meter:
    """A battery meter that speaks ten times a second on a pseudo-terminal."""

    folder: Path
    fd: int
    stop: threading.Event = field(default_factory=threading.Event)

    def speak(self) -> None:
        """Speak until told to stop; what nobody reads is lost, as on a wire."""
        while not self.stop.wait(0.1):
            try:
                os.write(self.fd, b"volts=150.0,amps=-36.0\r\n")
            except BlockingIOError:
                continue

    def snapshots(self) -> SnapshotFile:
        """Return the file that the logger writes."""
        return SnapshotFile(self.folder / "live.json")

    def is_live(self) -> bool:
        """Return whether the logger runs and hears the meter right now."""
        now = self.snapshots().read()
        current = None if now is None else now.readings.get("pack.current_a")
        return current is not None and current.health is Health.FRESH

    def ticks(self) -> int:
        """Return how many seconds are stored."""
        if not (self.folder / "van.db").exists():
            return 0
        with Log(self.folder / "van.db") as log:
            return sum(1 for run in log.runs() for _ in log.ticks(run.id))


@pytest.fixture
def meter(tmp_path: Path) -> Iterator[Meter]:
    with open_port() as port:
        (tmp_path / "van.toml").write_text(VAN.format(device=port.device))
        each = Meter(tmp_path, port.fd)
        thread = threading.Thread(target=each.speak)
        thread.start()
        yield each
        each.stop.set()
        thread.join()


def until(holds: Callable[[], bool], process: "subprocess.Popen[str]") -> None:
    """Wait until something holds while a process runs."""
    end_s = time.perf_counter() + LONGEST_S
    while not holds():
        assert process.poll() is None, process.communicate()
        assert time.perf_counter() < end_s, "did not come about"
        time.sleep(0.05)


@contextmanager
def running(folder: Path, *words: str) -> Iterator["subprocess.Popen[str]"]:
    """Run the command in a folder; whatever is left of it is killed in the end."""
    with subprocess.Popen(
        [COMMAND, *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    ) as process:
        try:
            yield process
        finally:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)


def test_told_to_end_it_stores_the_rest_and_ends(meter: Meter) -> None:
    with running(meter.folder, "log", *FILES, "van.toml") as logger:
        until(lambda: meter.is_live() and meter.ticks() > 1, logger)
        logger.send_signal(signal.SIGTERM)
        out, _ = logger.communicate(timeout=LONGEST_S)
    assert logger.returncode == 0, out
    assert "Dotterel" in out
    with Log(meter.folder / "van.db") as log:
        (run,) = log.runs()
        totals = log.totals(run.id)
    assert run.end_us is not None
    # -36 A all the while: the charge is -36 A·s a second of counted time.
    current = totals["pack.current_a"]
    assert current.integral == pytest.approx(-36.0 * current.covered_us / 1e6)
    assert not (meter.folder / "live.json").exists()


def test_killed_it_loses_no_stored_row_and_goes_on_counting(meter: Meter) -> None:
    with running(meter.folder, "log", *FILES, "van.toml") as logger:
        # A file that is being made is no log yet: a snapshot comes after it.
        until(lambda: meter.is_live() and meter.ticks() > 3, logger)
        logger.kill()
        logger.communicate(timeout=LONGEST_S)
    before = meter.ticks()
    with Log(meter.folder / "van.db") as log:
        last = log.last_tick(1)
    assert last is not None
    with running(meter.folder, "log", *FILES, "van.toml") as logger:
        until(lambda: meter.ticks() > before + 1, logger)
        logger.send_signal(signal.SIGTERM)
        logger.communicate(timeout=LONGEST_S)
    with Log(meter.folder / "van.db") as log:
        first, second = log.runs()
        (event,) = log.events(first.id)
        counted = [
            tick.cells["pack.soc_counted_pct"].last for tick in log.ticks(second.id)
        ]
        whole = log.connection.execute("PRAGMA integrity_check").fetchone()
        total = log.totals(first.id)["pack.current_a"]
        stored_as = sum(
            tick.cells["pack.current_a"].integral for tick in log.ticks(first.id)
        )
    assert whole == ("ok",)
    assert total.integral == pytest.approx(stored_as)
    assert (event.kind, first.end_us) == ("cut off", last.last_us)
    left_pct = last.cells["pack.soc_counted_pct"].last
    # It goes on where the last stored second left it; 36 A take 0.01 points a second.
    assert left_pct - 1.0 < counted[0] < left_pct
    assert counted == sorted(counted, reverse=True)


def test_a_second_logger_of_one_log_is_refused(meter: Meter) -> None:
    with running(meter.folder, "log", *FILES, "van.toml") as logger:
        until(lambda: meter.is_live() and meter.ticks() > 1, logger)
        # Its own snapshot and desk, but the same log.
        other = ("--log", "van.db", "--live", "other.json", "--desk", "other.db")
        with running(meter.folder, "log", *other, "van.toml") as second:
            out, _ = second.communicate(timeout=LONGEST_S)
        assert second.returncode == 1
        assert "another process that writes it" in out
        assert "Wait until that one has ended, or give another log." in out
        before = meter.ticks()
        until(lambda: meter.is_live() and meter.ticks() > before, logger)
    with Log(meter.folder / "van.db") as log:
        assert len(log.runs()) == 1


def test_a_broken_van_file_is_told_and_nothing_is_begun(tmp_path: Path) -> None:
    (tmp_path / "van.toml").write_text('[van]\nnam = "x"\n')
    with running(tmp_path, "log", *FILES, "van.toml") as logger:
        out, _ = logger.communicate(timeout=LONGEST_S)
    assert logger.returncode == 2
    assert "nam" in out
    assert not (tmp_path / "van.db").exists()


def free_port() -> int:
    """Return a port that nobody uses right now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_run_keeps_both_processes_going_and_ends_them(meter: Meter) -> None:
    port = free_port()
    words = ("run", *FILES, "--port", str(port), "van.toml")
    with running(meter.folder, *words) as supervisor:
        until(lambda: meter.is_live() and is_served(port), supervisor)
        first = children_of(supervisor.pid)
        os.kill(first["log"], signal.SIGKILL)
        until(
            lambda: (
                children_of(supervisor.pid).get("log") not in (None, first["log"])
                and meter.is_live()
                and len(runs(meter)) == 2
            ),
            supervisor,
        )
        again = children_of(supervisor.pid)
        assert again["serve"] == first["serve"]  # the other one did not notice
        supervisor.send_signal(signal.SIGTERM)
        supervisor.communicate(timeout=LONGEST_S)
    assert not any(Path(f"/proc/{pid}").exists() for pid in again.values())
    assert all(run.end_us is not None for run in runs(meter))


def runs(meter: Meter) -> list[RunRow]:
    with Log(meter.folder / "van.db") as log:
        return log.runs()


def is_served(port: int) -> bool:
    """Return whether the dashboard answers at all."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/hello") as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def fetched(url: str) -> str:
    with urllib.request.urlopen(url) as answer:
        text: str = answer.read().decode()
    return text


def test_the_demo_prints_its_address_and_every_page_has_something(
    tmp_path: Path,
) -> None:
    port = free_port()
    with running(tmp_path, "demo", "--port", str(port)) as demo:
        address = f"http://127.0.0.1:{port}"
        until(lambda: is_served(port) and charge(address) is not None, demo)
        drive, log = fetched(f"{address}/drive"), fetched(f"{address}/log")
        trips = trips_of(log)
        trip = fetched(address + trips[0])
        began = charge(address)
        until(lambda: charge(address) != began, demo)
        until(lambda: "Trip so far" in fetched(f"{address}/log"), demo)
        under_way = trips_of(fetched(f"{address}/log"))
        demo.send_signal(signal.SIGINT)
        out, _ = demo.communicate(timeout=LONGEST_S)
    assert demo.returncode == 0, out
    assert f"{address}/" in out
    assert "invented" in out
    assert "High voltage" in out
    assert "%" in drive
    assert len(trips) >= 2
    assert under_way == trips  # the one that goes on is not listed twice
    assert "<svg" in trip
    assert [each.name for each in tmp_path.iterdir()] == []


def trips_of(page: str) -> list[str]:
    """Return the addresses of the trips on the Log."""
    return re.findall(r'href="(/log/\d+/\d+)"', page)


def charge(address: str) -> float | None:
    """Return the charge that Drive shows, %."""
    value: float | None = json.loads(fetched(f"{address}/api/now"))["charge"]["figure"][
        "value"
    ]
    return value


THREE_PORTS = """
[van]
name = "Dotterel"

[[port]]
name = "roof"
device = "{folder}/adapter"
baud_rate = 19200
speaks = "modbus"
polled = true

[[device]]
name = "left"
port = "roof"
address = 3
registers = "solar"
period_s = 0.5

[[register]]
table = "solar"
field = "volts"
address = 100
scale = 0.1

[[string]]
name = "left"
rated_w = 400

[[feed]]
channel = "sun.left.voltage_v"
port = "roof"
line = "left"
field = "volts"

[[port]]
name = "sky"
device = "{folder}/sky"
speaks = "nmea"

[[port]]
name = "meter"
device = "{folder}/meter"

[[line]]
name = "main"
port = "meter"

[[feed]]
channel = "pack.voltage_v"
port = "meter"
line = "main"
field = "volts"
"""


def test_a_polled_port_a_receiver_and_a_meter_are_logged_together(
    tmp_path: Path,
) -> None:
    (tmp_path / "van.toml").write_text(THREE_PORTS.format(folder=tmp_path))
    sky, meter = Terminal(tmp_path, "sky"), Terminal(tmp_path, "meter")
    # NMEA 0183's published example: 48.1173° north, no fix afterwards.
    fix = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    snapshots = SnapshotFile(tmp_path / "live.json")

    def is_all_live() -> bool:
        for terminal, said in ((sky, fix), (meter, b"volts=150.0\r\n")):
            if terminal.is_held():
                terminal.speak(said)
        now = snapshots.read()
        names = ("sun.left.voltage_v", "gps.latitude_deg", "pack.voltage_v")
        found = [None if now is None else now.readings.get(name) for name in names]
        values = [
            round(each.value, 4)
            for each in found
            if each is not None and each.value is not None
            if each.health is Health.FRESH
        ]
        return values == [402.8, 48.1173, 150.0]

    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: {100: [4028]}}),
        running(tmp_path, "log", *FILES, "van.toml") as logger,
    ):
        until(is_all_live, logger)
        logger.send_signal(signal.SIGTERM)
        out, _ = logger.communicate(timeout=LONGEST_S)
    assert logger.returncode == 0, out
    sky.pull()
    meter.pull()
    with Log(tmp_path / "van.db") as log:
        (run,) = log.runs()
        stored = [dict(tick.cells) for tick in log.ticks(run.id)]
        raw = list(log.raw(run.id))
    names = ("sun.left.voltage_v", "gps.latitude_deg", "pack.voltage_v")
    assert set(names) <= {name for cells in stored for name in cells}
    # What was recorded, answers of the polled device too, decodes to the same again.
    pipeline = Pipeline(read_van(tmp_path / "van.toml").spec)
    again = [*pipeline.feed(raw), *pipeline.finish()]
    ticks = [dict(each.cells) for each in again if isinstance(each, Tick)]
    for name in names:
        values = [cells[name].last for cells in stored if name in cells]
        assert [cells[name].last for cells in ticks if name in cells] == values
