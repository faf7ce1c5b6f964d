"""The program's clock: the computer's own, or one that runs faster."""

import subprocess
import sys
import threading
import time

import pytest

from logger.clock import Clock, uptime_us
from tests.builders import us

DAY_US = 1_700_000_000_000_000


def test_the_clock_is_the_computers_unless_told_otherwise() -> None:
    clock = Clock()
    assert not clock.is_own
    before_us = time.time_ns() // 1000
    assert before_us <= clock.wall_us() <= time.time_ns() // 1000


@pytest.mark.parametrize("speed", [0.5, 1.0, 8.0, 60.0])
def test_a_clock_goes_as_many_times_faster_as_it_is_told(speed: float) -> None:
    # The clock is asked inside the real time that it is held to.
    begin, zero = uptime_us(), Clock(speed=speed)
    threading.Event().wait(0.02)
    went_us, took_us = zero.mono_us(), uptime_us() - begin
    assert 0.02e6 * speed * 0.9 <= went_us <= (took_us + 1) * speed


@pytest.mark.parametrize("speed", [1.0, 37.5])
def test_the_steady_time_only_rises(speed: float) -> None:
    clock = Clock(speed=speed)
    times = [clock.mono_us() for _ in range(5000)]
    assert times == sorted(times)
    assert times[0] >= 0


def test_the_steady_time_is_whole_microseconds() -> None:
    assert isinstance(Clock(speed=1.7).mono_us(), int)


def test_the_date_of_a_faster_clock_begins_where_it_is_told() -> None:
    clock = Clock(speed=10.0, start_wall_us=DAY_US)
    assert clock.is_own
    mono_us = clock.mono_us()
    wall_us = clock.wall_us()
    assert DAY_US + mono_us <= wall_us <= DAY_US + clock.mono_us()


def test_a_date_alone_makes_a_clock_its_own() -> None:
    assert Clock(start_wall_us=DAY_US).is_own


def test_the_date_of_a_faster_clock_begins_now_unless_told() -> None:
    before_us = time.time_ns() // 1000
    clock = Clock(speed=2.0)
    assert clock.wall_us() >= before_us


def test_an_invented_date_is_sure() -> None:
    assert Clock(speed=2.0).is_wall_sure()


def test_whether_the_computers_date_is_sure_is_told() -> None:
    assert Clock().is_wall_sure() in (True, False)


ASKED_OFTEN = """
import sys
from logger.clock import Clock
opened = []
sys.addaudithook(lambda event, _: opened.append(event) if event in STARTS else None)
clock = Clock()
clock.is_wall_sure()
opened.clear()
answers = {clock.is_wall_sure() for _ in range(1000)}
print(sorted(answers)[0] in (True, False), opened)
"""


def test_asking_a_thousand_times_starts_and_opens_nothing() -> None:
    starts = "STARTS = ('subprocess.Popen', 'os.posix_spawn', 'ctypes.dlopen', 'open')"
    done = subprocess.run(
        [sys.executable, "-c", starts + ASKED_OFTEN],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "True []\n"


def test_both_clocks_are_read_together() -> None:
    clock = Clock(start_wall_us=DAY_US)
    moments = [clock.moment() for _ in range(1000)]
    # The invented date goes by the steady time: between the two lies their distance.
    assert all(each.mono_us >= 0 for each in moments)
    apart_us = [each.wall_us - DAY_US - each.mono_us for each in moments]
    assert sorted(apart_us)[500] < 1000


def test_a_moment_has_its_place_in_the_computer_s_uptime() -> None:
    clock = Clock()
    before_us = uptime_us()
    found_us = clock.uptime_at_us(clock.mono_us())
    assert found_us is not None
    assert before_us - 2 <= found_us <= uptime_us() + 2
    assert Clock(speed=2.0).uptime_at_us(0) is None


def test_a_wait_is_as_much_shorter_as_the_clock_is_faster() -> None:
    clock = Clock(speed=1000.0)
    begin = uptime_us()
    assert clock.wait(threading.Event(), 60.0) is False
    took_us = uptime_us() - begin
    # 60 s of its own are 0.06 s; far less than 60 s on however busy a machine.
    assert us(0.05) <= took_us < us(30)


def test_a_wait_ends_at_once_when_told_to_stop() -> None:
    stop = threading.Event()
    stop.set()
    assert Clock().wait(stop, 3600.0) is True


def test_uptime_only_rises() -> None:
    times = [uptime_us() for _ in range(1000)]
    assert times == sorted(times)
