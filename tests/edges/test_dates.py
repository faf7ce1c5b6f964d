"""A run's date is set right while it lasts, and no step of a clock costs anything.

The whole logger over a real pseudo-terminal; the date is that of a clock that the test
sets as a person or the network would.
"""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from logger.clock import Clock, boot_id, uptime_us
from logger.core.tick import US_PER_S
from logger.daemon.running import run_logger
from logger.decode.frames import Line
from logger.desk import Desk
from logger.live import Snapshot, SnapshotFile
from logger.places import Files
from logger.store.reader import EventRow, Log, RunRow
from logger.store.writer import RunEnd, RunStart, Writer
from logger.van.reading import read_van
from tests.edges.devices import Talker, Terminal, until

LONGEST_S = 40.0

TEN_YEARS_US = 3652 * 86_400 * US_PER_S

ASLEEP_US = 400 * 86_400 * US_PER_S
"""How far behind the computer wakes up."""

VAN = """
[van]
name = "Dotterel"

[pack]
nameplate_ah = 100.0
series_groups = 42
start_soc_pct = 80.0

[[port]]
name = "meter"
device = "{folder}/meter"

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

[[feed]]
channel = "gps.time_s"
port = "meter"
line = "main"
field = "date"

[[feed]]
channel = "gps.fix"
port = "meter"
line = "main"
field = "fix"
codes = {{ "0" = 0, "1" = 1 }}

[[feed]]
channel = "gps.satellites_count"
port = "meter"
line = "main"
field = "seen"
"""


@dataclass(slots=True)
class Hands:
    """What is set on a clock.

    Attributes:
        away_us: How far its date is from the computer's, microseconds.
        is_sure: Whether the network confirms it.
    """

    away_us: int = -ASLEEP_US
    is_sure: bool = False


@dataclass(frozen=True, slots=True)
class SetClock(Clock):
    """The computer's clock with a date that is set; its steady time is the real one."""

    hands: Hands = field(default_factory=Hands)

    def wall_us(self) -> int:
        """Return the date that was set, and the time since."""
        return Clock.wall_us(self) + self.hands.away_us

    def is_wall_sure(self) -> bool:
        """Return what was set."""
        return self.hands.is_sure


class Bench:
    """A logger that listens to a meter, under a clock that can be set."""

    def __init__(self, folder: Path) -> None:
        self.meter = Terminal(folder, "meter")
        (folder / "van.toml").write_text(VAN.format(folder=folder))
        self.van = read_van(folder / "van.toml")
        self.files = Files(folder / "van.db", folder / "live.json", folder / "desk.db")
        self.clock = SetClock()
        self.hands = self.clock.hands
        self.sky = ""
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.begin()
        assert until(self.meter.is_held)
        self.talker = Talker(self._say, 0.05)

    def _say(self, number: int) -> None:
        amps = -30.0 + 25.0 * np.sin(number / 7.0)
        volts = 150.0 + number % 5
        line = f"volts={volts:.1f},amps={amps:.2f}{self.sky}\r\n"
        self.meter.speak(line.encode())

    def begin(self) -> None:
        """Start the logger."""
        self._stop.clear()
        self._thread = threading.Thread(
            target=run_logger, args=(self.van, self.files, self.clock, self._stop)
        )
        self._thread.start()

    def end(self) -> None:
        """End it as a signal does."""
        self._stop.set()
        assert self._thread is not None
        self._thread.join(LONGEST_S)
        assert not self._thread.is_alive()

    def until(self, holds: Callable[[Snapshot], bool]) -> Snapshot:
        """Wait until something holds of the snapshot."""
        found: list[Snapshot] = []

        def is_so() -> bool:
            now = SnapshotFile(self.files.snapshot).read()
            if now is None or not holds(now):
                return False
            found.append(now)
            return True

        assert until(is_so, LONGEST_S)
        return found[0]

    def lives_on(self, seconds: int) -> None:
        """Wait until the logger has told so many seconds more, by its rounds."""
        seq = self.until(lambda _: True).seq
        self.until(lambda now: now.seq >= seq + 5 * seconds)

    def events(self, run: int = 1) -> list[EventRow]:
        """Return the events of a run."""
        with Log(self.files.log) as log:
            return log.events(run)

    def kinds(self, run: int = 1) -> list[str]:
        """Return the kinds of events about the date, in order."""
        of_dates = ("clock step", "date set", "date not taken", "dates differ", "clock")
        return [each.kind for each in self.events(run) if each.kind in of_dates]

    def runs(self) -> dict[int, RunRow]:
        """Return the runs by number."""
        with Log(self.files.log) as log:
            return {run.id: run for run in log.runs()}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    each = Bench(tmp_path)
    try:
        yield each
    finally:
        each.talker.stop()
        each.end()
        each.meter.pull()


def real_zero_us(clock: Clock, run: RunRow) -> int:
    """Return the true date of a run's zero, by the computer that runs this test."""
    assert run.zero_uptime_us is not None
    return Clock.wall_us(clock) - uptime_us() + run.zero_uptime_us


def test_ten_years_forward_and_back_while_writing_cost_nothing(bench: Bench) -> None:
    bench.lives_on(2)
    bench.hands.away_us += TEN_YEARS_US
    bench.lives_on(2)
    bench.hands.away_us -= TEN_YEARS_US
    bench.lives_on(2)
    bench.talker.stop()
    with Log(bench.files.log) as log:
        assert until(lambda: len(list(log.raw(1))) >= bench.talker.said)
    bench.end()
    steps = [each for each in bench.events() if each.kind == "clock step"]
    assert [each.text.split()[5] for each in steps] == [
        *("+315,532,800.0", "-315,532,800.0")  # by hand: 3,652 days of 86,400 s
    ]
    with Log(bench.files.log) as log:
        raw = [item for item in log.raw(1) if isinstance(item, Line)]
        ticks = list(log.ticks(1))
        totals, (trip,) = log.totals(1), log.trips(1)
        gaps = log.gaps(1)
    assert sum(tick.cells["pack.current_a"].n for tick in ticks) == bench.talker.said
    assert gaps == []
    seconds = [tick.index for tick in ticks]
    assert seconds == list(range(seconds[0], seconds[-1] + 1))
    assert all(0 <= tick.first_us <= tick.last_us for tick in ticks)
    # Worked out apart, by numpy's trapezoid over the steady stamps of the recording.
    t_s = np.array([item.t_us for item in raw]) / US_PER_S
    parts = [item.data.decode().split(",") for item in raw]
    volts, amps = (
        np.array([float(each[i].split("=")[1]) for each in parts]) for i in (0, 1)
    )
    assert (np.diff(t_s) >= 0).all()
    amp_hours = np.trapezoid(amps, t_s) / 3600
    watt_hours = np.trapezoid(amps * volts, t_s) / 3600
    assert totals["pack.current_a"].integral / 3600 == pytest.approx(amp_hours)
    assert trip.charge_net_ah == pytest.approx(amp_hours)
    assert trip.energy_net_wh == pytest.approx(-watt_hours)
    assert trip.duration_s == pytest.approx(t_s[-1] - t_s[0])


def test_an_unsure_run_is_marked_and_dated_when_the_network_comes(bench: Bench) -> None:
    now = bench.until(lambda now: now.seq > 5)
    assert not now.is_clock_sure
    before = bench.runs()[1]
    assert (before.is_start_sure, before.dated_by) == (False, "computer")
    bench.hands.away_us = 0
    bench.lives_on(2)
    assert not bench.runs()[1].is_start_sure  # a step alone confirms nothing
    bench.hands.is_sure = True
    now = bench.until(lambda now: now.is_clock_sure)
    assert until(lambda: bench.runs()[1].is_start_sure)
    run = bench.runs()[1]
    assert run.dated_by == "network"
    assert run.start_us == pytest.approx(real_zero_us(bench.clock, run), abs=US_PER_S)
    assert now.wall_us == pytest.approx(Clock.wall_us(bench.clock), abs=LONGEST_S * 1e6)
    assert bench.kinds() == ["clock step", "date set"]
    bench.hands.away_us = TEN_YEARS_US
    bench.lives_on(3)
    assert bench.runs()[1].start_us == run.start_us
    assert bench.kinds()[:3] == ["clock step", "date set", "clock step"]


def test_satellites_date_a_run_that_no_network_reaches(bench: Bench) -> None:
    def sky(seen: int) -> str:
        return f",date={Clock.wall_us(bench.clock) / US_PER_S:.3f},fix=1,seen={seen}"

    def say_with(seen: int) -> None:
        bench.talker.stop()
        bench.talker = Talker(lambda number: speak(number, seen), 0.2)

    def speak(number: int, seen: int) -> None:
        del number
        bench.meter.speak(f"volts=150.0,amps=-30.0{sky(seen)}\r\n".encode())

    say_with(seen=3)
    bench.lives_on(5)
    assert not bench.runs()[1].is_start_sure
    say_with(seen=7)
    bench.until(lambda now: now.is_clock_sure)
    assert until(lambda: bench.runs()[1].dated_by == "satellites")
    run = bench.runs()[1]
    assert run.start_us == pytest.approx(real_zero_us(bench.clock, run), abs=US_PER_S)


def test_a_person_gives_the_date_and_another_start_of_the_computer_does_not_count(
    bench: Bench,
) -> None:
    desk = Desk(bench.files.desk)
    date_us = Clock.wall_us(bench.clock)
    desk.clock(1, uptime_us(), date_us, "a start of long ago")
    bench.until(lambda now: now.desk_entry == 1)
    assert until(lambda: bench.kinds() == ["clock", "date not taken"])
    assert not bench.runs()[1].is_start_sure
    desk.clock(2, uptime_us(), Clock.wall_us(bench.clock), boot_id())
    bench.until(lambda now: now.is_clock_sure)
    assert until(lambda: bench.runs()[1].dated_by == "person")
    run = bench.runs()[1]
    assert run.start_us == pytest.approx(real_zero_us(bench.clock, run), abs=US_PER_S)


def test_an_earlier_run_of_the_same_start_follows_and_another_does_not(
    bench: Bench,
) -> None:
    bench.lives_on(2)
    bench.end()
    first = bench.runs()[1]
    with Writer(bench.files.log) as writer:
        start = RunStart(None, None, 5, False, 0, "test", "[van]", {})
        other = replace(
            start, boot="another start", zero_uptime_us=first.zero_uptime_us
        )
        writer.end_run(writer.begin_run(other), RunEnd(1))
    bench.begin()
    bench.until(lambda now: now.run == 3 and now.seq > 5)
    assert not bench.runs()[3].is_start_sure
    bench.hands.away_us, bench.hands.is_sure = 0, True
    bench.until(lambda now: now.run == 3 and now.is_clock_sure)
    assert until(lambda: bench.runs()[3].is_start_sure)
    runs = bench.runs()
    assert runs[1].dated_by == "network"
    for run in (runs[1], runs[3]):
        zero_us = real_zero_us(bench.clock, run)
        assert run.start_us == pytest.approx(zero_us, abs=US_PER_S)
    assert (runs[2].start_us, runs[2].is_start_sure) == (5, False)


def test_a_new_run_knows_the_date_that_the_one_before_learned(bench: Bench) -> None:
    bench.hands.away_us, bench.hands.is_sure = 0, True
    bench.until(lambda now: now.is_clock_sure)
    assert until(lambda: bench.runs()[1].is_start_sure)
    bench.end()
    bench.hands.away_us, bench.hands.is_sure = -ASLEEP_US, False
    bench.begin()
    bench.until(lambda now: now.run == 2 and now.is_clock_sure)
    bench.end()
    run = bench.runs()[2]
    assert (run.is_start_sure, run.dated_by) == (True, "network")
    assert run.start_us == pytest.approx(real_zero_us(bench.clock, run), abs=US_PER_S)
    # How long nobody counted is known to the second.
    first = bench.runs()[1]
    assert run.count is not None
    assert run.count.unseen_s < LONGEST_S
    assert first.start_us is not None


def test_a_date_confirmed_at_the_start_reaches_the_run_before(bench: Bench) -> None:
    bench.lives_on(1)
    bench.end()
    bench.hands.away_us, bench.hands.is_sure = 0, True
    bench.begin()
    bench.until(lambda now: now.run == 2)
    runs = bench.runs()
    assert (runs[1].dated_by, runs[2].dated_by) == ("network", "network")
    assert bench.kinds(2) == []
