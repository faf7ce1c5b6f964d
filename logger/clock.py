"""The only place that asks what time it is.

Handed to the edges, never imported by the pure rooms. A clock may run faster than the
computer's own, so that the invented van drives a day in an hour: everything the
program measures, waits for and writes then goes by the faster time.
"""

import ctypes
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

NS_PER_US = 1000
NS_PER_S = 1_000_000_000

_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Goes on while the computer sleeps, where the system has such a clock."""

_CLOCK_ERROR = 5
"""Answer of `adjtimex` while no outside source disciplines the clock (Linux)."""

TRIES = 5
"""How often two clocks are read; the pair that was read closest together is taken."""


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


@lru_cache(maxsize=1)
def _adjtimex() -> Callable[[object], int] | None:
    """Return the system's call, looked up once: looking starts other programs."""
    try:
        return ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError, TypeError):
        return None


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment by both clocks.

    Attributes:
        mono_us: By the steady one (see `Clock.mono_us`), microseconds.
        wall_us: Its date, microseconds since the Unix epoch.
    """

    mono_us: int
    wall_us: int


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

    def moment(self) -> Moment:
        """Return what both clocks say, read together.

        A program that is put aside between the two readings would take the wait for a
        step of the date.
        """
        reads = [self._read() for _ in range(TRIES)]
        return min(reads, key=lambda read: read[0])[1]

    def _read(self) -> tuple[int, Moment]:
        before_us = self.mono_us()
        wall_us = self.wall_us()
        width_us = self.mono_us() - before_us
        return width_us, Moment(before_us + width_us // 2, wall_us)

    def uptime_at_us(self, mono_us: int) -> int | None:
        """Return the computer's uptime at a steady time; None for an invented time.

        Args:
            mono_us: See `mono_us`, microseconds.
        """
        return None if self.is_own else self._zero_ns // NS_PER_US + mono_us

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
        adjtimex = _adjtimex()
        if adjtimex is None:
            return False
        # All zero: nothing is set. Larger than the structure on any system.
        return 0 <= adjtimex(ctypes.create_string_buffer(512)) < _CLOCK_ERROR
