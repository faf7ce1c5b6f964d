"""The only place that asks what time it is.

Handed to the edges, never imported by the pure rooms. A clock may run faster than the
computer's own, so that the invented van drives a day in an hour: everything the
program measures, waits for and writes then goes by the faster time.
"""

import ctypes
import ctypes.util
import threading
import time
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

NS_PER_US = 1000
NS_PER_S = 1_000_000_000

_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Goes on while the computer sleeps, where the system has such a clock."""

_CLOCK_ERROR = 5
"""Answer of `adjtimex` while no outside source disciplines the clock (Linux)."""


def uptime_us() -> int:
    """Return microseconds since the computer started, the same in every process.

    Never faster than the computer: ages between processes are told by it.
    """
    return time.clock_gettime_ns(_STEADY) // NS_PER_US


@lru_cache(maxsize=1)
def boot_id() -> str:
    """Return what tells this start of the computer from any other; empty if unknown."""
    try:
        return (
            Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        )
    except OSError:
        return ""


@dataclass(frozen=True, slots=True)
class Clock:
    """The computer's two clocks, in whole microseconds.

    Args:
        speed: How many times faster than the computer's clock it runs, above 0.
        start_wall_us: The date at which a faster clock begins, microseconds since the
            Unix epoch; None for now.
    """

    speed: float = 1.0
    start_wall_us: int | None = None
    _zero_wall_ns: int = field(default_factory=time.time_ns)
    _zero_ns: int = field(default_factory=lambda: time.clock_gettime_ns(_STEADY))

    @property
    def is_own(self) -> bool:
        """True where this is an invented time, not the computer's."""
        return self.speed != 1.0 or self.start_wall_us is not None

    def wall_us(self) -> int:
        """Return microseconds since the Unix epoch, UTC; may step either way."""
        if not self.is_own:
            return time.time_ns() // NS_PER_US
        start_us = self.start_wall_us
        zero_us = self._zero_wall_ns // NS_PER_US if start_us is None else start_us
        return zero_us + self.mono_us()

    def mono_us(self) -> int:
        """Return microseconds that only ever rise; the zero means nothing."""
        passed_ns = time.clock_gettime_ns(_STEADY) - self._zero_ns
        return int(passed_ns * self.speed) // NS_PER_US

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """Wait in this clock's time; return at once with True when `stop` is set."""
        return stop.wait(seconds / self.speed)

    def is_wall_sure(self) -> bool:
        """Return whether something outside this computer confirms its date.

        Small computers wake up with the wrong date; until network time has set it, what
        is written is marked as unsure. Where the system does not tell, it is not.
        """
        if self.is_own:
            return True
        name = ctypes.util.find_library("c")
        try:
            answer = ctypes.CDLL(name).adjtimex(ctypes.create_string_buffer(512))
        except (OSError, AttributeError):
            return False
        return 0 <= int(answer) < _CLOCK_ERROR
