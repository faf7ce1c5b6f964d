"""Faults that come again and again, told at the first, at each doubling and at the end.

Counts by kind; the kinds are few, so what is told is bounded whatever the device does.
Fed with times, asks for none. Used by one thread, read by any.
"""

from collections.abc import Callable
from dataclasses import dataclass

QUIET_US = 60_000_000
"""A stretch of faults is over when none of its kind came for so long: one that comes
every few seconds is one stretch, and told some twenty times in a year."""


@dataclass(slots=True)
class _Stretch:
    """Faults of one kind since the last quiet time."""

    count: int
    newest_us: int


class Repeats:
    """The faults of one source.

    Args:
        tell: Takes one line of plain words.

    Attributes:
        total: All faults since the start.
    """

    def __init__(self, tell: Callable[[str], None]) -> None:
        self.total = 0
        self._tell = tell
        self._stretches: dict[str, _Stretch] = {}

    def add(self, kind: str, t_us: int, count: int = 1) -> None:
        """Take in faults of a kind.

        Args:
            kind: In plain words, for example `bus-off`.
            t_us: When, microseconds.
            count: How many, at least 1.
        """
        self.total += count
        stretch = self._stretches.setdefault(kind, _Stretch(0, t_us))
        before, stretch.count = stretch.count, stretch.count + count
        stretch.newest_us = t_us
        if stretch.count.bit_length() > before.bit_length():
            self._tell(f"{kind}, {stretch.count} so far")

    def look(self, t_us: int) -> None:
        """End the stretches that have been quiet for long enough."""
        for kind, stretch in list(self._stretches.items()):
            if t_us - stretch.newest_us > QUIET_US:
                self._tell(f"{kind}, over, {stretch.count} in all")
                del self._stretches[kind]

    def words(self) -> str:
        """Return what is going on, in plain words; empty where all is well."""
        going_on = list(self._stretches.items())
        return ", ".join(f"{kind} ({each.count})" for kind, each in going_on)
