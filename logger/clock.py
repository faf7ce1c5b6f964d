"""The only place that asks what time it is.

Handed to the edges, never imported by the pure rooms.
"""

import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Clock:
    """The computer's two clocks, in whole microseconds."""

    def wall_us(self) -> int:
        """Return microseconds since the Unix epoch, UTC; may step either way."""
        return time.time_ns() // 1000

    def mono_us(self) -> int:
        """Return microseconds that only ever rise; the zero means nothing."""
        return time.monotonic_ns() // 1000
