"""A whole logger on a bus of the kernel: the date steps, and it only listens."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.core.health import Health
from logger.live import Snapshot, SnapshotFile
from logger.store.reader import Log
from tests.edges.devices import until
from tests.kernel.inside.wires import FRAME, Talker, plug, pull, sent_frames

NAME = "vcan50"
CURRENT_A = -36.0
TEN_YEARS_S = 3653 * 86_400
LONGEST_S = 40.0

VAN = """
[van]
name = "Dunlin"

[pack]
nameplate_ah = 100.0
series_groups = 42
start_soc_pct = 80.0

[[bus]]
name = "drive"
interface = "vcan50"

[[description]]
bus = "drive"
file = "meter.dbc"

[[feed]]
channel = "pack.current_a"
bus = "drive"
message = "Meter"
signal = "Amps"
"""

METER = """VERSION ""

NS_ :

BS_:

BU_: Box

BO_ 291 Meter: 8 Box
 SG_ Amps : 0|16@1- (0.1,0) [-3200|3200] "A" Box
"""


@dataclass
class Meter:
    """A meter that tells its current ten times a second, and counts how often."""

    said: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    def goes_on(self) -> bool:
        """Wait for two seconds of speaking."""
        before = self.said
        return until(lambda: self.said > before + 20)

    def speak(self) -> None:
        """Speak until told to stop."""
        talker = Talker(NAME)
        data = int(CURRENT_A * 10).to_bytes(2, "little", signed=True)
        while not self.stop.wait(0.1):
            talker.put(FRAME.pack(0x123, 8, data + bytes(6)))
            self.said += 1
        talker.close()


@contextmanager
def logging_in(folder: Path) -> "Iterator[subprocess.Popen[bytes]]":
    """Run `ampledger log` in a folder."""
    (folder / "van.toml").write_text(VAN)
    (folder / "meter.dbc").write_text(METER)
    words = ("log", "van.toml", "--log", "van.db", "--live", "live.json")
    code = "from logger.commands.group import main; main()"
    with subprocess.Popen(
        (sys.executable, "-c", code, *words, "--desk", "desk.db"),
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(Path.cwd())},
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                process.wait(LONGEST_S)


def seen(folder: Path) -> Snapshot | None:
    """Return how things stand."""
    return SnapshotFile(folder / "live.json").read()


def is_live(folder: Path) -> bool:
    """Return whether the current is heard right now."""
    now = seen(folder)
    current = None if now is None else now.readings.get("pack.current_a")
    return current is not None and current.health is Health.FRESH


def step_date(seconds: float) -> None:
    """Set the date of this computer by so much."""
    time.clock_settime(
        time.CLOCK_REALTIME, time.clock_gettime(time.CLOCK_REALTIME) + seconds
    )


@pytest.fixture
def meter() -> Iterator[Meter]:
    """A meter on a bus."""
    plug(NAME)
    made = Meter()
    thread = threading.Thread(target=made.speak)
    thread.start()
    yield made
    made.stop.set()
    thread.join()
    pull(NAME)


def test_a_step_of_the_date_by_ten_years_costs_nothing(
    meter: Meter, tmp_path: Path
) -> None:
    with logging_in(tmp_path):
        assert until(lambda: is_live(tmp_path), LONGEST_S)
        for step_s in (TEN_YEARS_S, -TEN_YEARS_S):
            assert meter.goes_on()
            step_date(step_s)
        assert meter.goes_on()
        assert is_live(tmp_path)
        meter.stop.set()
    # The kernel counts what the meter said, and that nobody else said anything.
    assert sent_frames(NAME) == meter.said
    with Log(tmp_path / "van.db") as log:
        (run,) = log.runs()
        ticks = list(log.ticks(run.id))
    cells = [tick.cells["pack.current_a"] for tick in ticks]
    covered_us = sum(each.covered_us for each in cells)
    # Every moment from the first frame to the last is counted, and counted once.
    assert covered_us == ticks[-1].last_us - ticks[0].first_us
    assert covered_us > 60 * 0.1 * 1e6
    assert sum(each.n for each in cells) > 60
    charge_as = sum(each.integral for each in cells)
    assert charge_as == pytest.approx(CURRENT_A * covered_us / 1e6)
