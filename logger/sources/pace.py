"""The pace of a source: how often it speaks, when it is silent, when to try again.

Fed with times, asks for none. All times are microseconds of one clock.
"""

from collections import deque

US_PER_S = 1_000_000

LEAST_SILENCE_S = 5.0
"""Quiet for less is no fault; the gap rule of the sums has the same figure."""

BEATS = 3
"""Beats that may be missed."""

LONGEST_BEAT_S = 60.0
"""No beat is longer; so a source is missed after three minutes at most."""

RECENT_S = 600.0
"""How long a beat is remembered: a box that was slow while parked is not slow now."""

MOST_BEATS = 32
"""Long beats that are remembered."""

LEAST_REAL_S = 1.0
"""Quiet for less of the computer's own time proves nothing where the clock runs faster:
a thread of a busy computer may be left waiting for some tenths of a second."""

BACK_OFFS_S = (0.5, 1.0, 2.0, 5.0)
"""Waits before the next try; the last one again and again, for ever."""

STOOD_S = 5.0
"""A source that held so long begins anew with the shortest wait. One that fails after
every opening is tried, and told of, every five seconds at most."""


class BackOff:
    """How long to wait before the next try."""

    def __init__(self) -> None:
        self._tries = 0

    def next_s(self) -> float:
        """Return the next wait in s, longer each time."""
        wait_s = BACK_OFFS_S[min(self._tries, len(BACK_OFFS_S) - 1)]
        self._tries += 1
        return wait_s

    def hold(self, held_us: int) -> None:
        """Take in for how long all has been well, microseconds."""
        if held_us >= STOOD_S * US_PER_S:
            self._tries = 0


class Silence:
    """Tells how long a source may be quiet, from the beats it had.

    A beat is an interval that came twice: the one pause of a bus that was switched off
    and on again must not make the next fault go unseen for minutes.

    Args:
        speed: How many times faster than the computer's clock the times run.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self._least_us = int(max(LEAST_SILENCE_S, LEAST_REAL_S * speed) * US_PER_S)
        self._since_us: int | None = None
        # Shorter beats change nothing, and would push out the ones that matter.
        self._long_beats: deque[tuple[int, int]] = deque(maxlen=MOST_BEATS)

    def hear(self, t_us: int) -> None:
        """Take in that something came."""
        if self._since_us is not None:
            beat_us = t_us - self._since_us
            if beat_us * BEATS > self._least_us:
                self._long_beats.append((t_us, beat_us))
        self._since_us = t_us

    def restart(self, t_us: int) -> None:
        """Begin to wait anew after a time of deafness; no beat comes of it."""
        if self._since_us is not None:
            self._since_us = t_us

    def limit_us(self, t_us: int) -> int:
        """Return how long it may be quiet at a time, microseconds."""
        if not self._long_beats:
            return self._least_us
        oldest_us = t_us - int(RECENT_S * US_PER_S)
        beats_us = sorted(beat for at, beat in self._long_beats if at >= oldest_us)
        if len(beats_us) < 2:
            return self._least_us
        longest_us = min(beats_us[-2], int(LONGEST_BEAT_S * US_PER_S))
        return max(self._least_us, BEATS * longest_us)

    def is_over(self, t_us: int) -> bool:
        """Return whether it has been quiet for too long; never before it spoke."""
        if self._since_us is None:
            return False
        return t_us - self._since_us > self.limit_us(t_us)


class Rate:
    """Items a second over the last few whole seconds.

    Four whole seconds are long enough for a source that speaks once a second, and short
    enough that a person sees a plug being pulled.
    """

    SECONDS = 4

    def __init__(self) -> None:
        self._counts: deque[tuple[int, int]] = deque(maxlen=self.SECONDS + 1)
        self._first: int | None = None

    def add(self, t_us: int, count: int) -> None:
        """Take in that so many items came."""
        second = t_us // US_PER_S
        if self._first is None:
            self._first = second
        if self._counts and self._counts[-1][0] == second:
            count += self._counts.pop()[1]
        self._counts.append((second, count))

    def hz(self, t_us: int) -> float:
        """Return the rate at a time, 1/s; 0 until a whole second has passed."""
        now = t_us // US_PER_S
        if self._first is None or self._first == now:
            return 0.0
        seconds = min(self.SECONDS, now - self._first)
        return (
            sum(
                count for second, count in self._counts if now - seconds <= second < now
            )
            / seconds
        )
