"""Whose turn it is on a line on which one device at a time is asked.

Fed with times, asks for none; all times are microseconds of one clock. A device that
does not answer costs a wait each time it is asked. Such a wait is only spent while
nobody else is due, so that a dead device takes nothing from the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

US_PER_S = 1_000_000

LOST_AFTER = 3
"""Questions in a row without an answer, after which a device that did answer counts as
lost. One that never did is lost after the first."""

BACK_OFFS_S = (5, 10, 20, 60)
"""Waits before a lost device is asked again; the last one again and again, for ever."""

PATIENCE_US = 60 * US_PER_S
"""How long a lost device waits for a moment in which nobody is due. On a line without
such moments it would never be found again: then one wait a minute is the price."""


@dataclass(slots=True)
class _Device:
    """How one device stands."""

    period_us: int
    due_us: int = 0
    failures: int = 0
    has_answered: bool = False
    is_lost: bool = False
    tries: int = 0


class Turns:
    """Gives the turns.

    Args:
        periods_us: From one round of questions to the next, for each device.
        wait_us: What a question without an answer costs.
    """

    def __init__(self, periods_us: Sequence[int], wait_us: int) -> None:
        self._devices = [_Device(period_us) for period_us in periods_us]
        self._wait_us = wait_us

    def next(self, now_us: int) -> int | None:
        """Return the number of the device to be asked now; None for nobody."""
        sound = self._earliest(is_lost=False)
        if sound is not None and self._devices[sound].due_us <= now_us:
            # Before all others, unless one of them has waited for very long.
            lost = self._earliest(is_lost=True)
            return sound if lost is None or not self._is_starved(lost, now_us) else lost
        lost = self._earliest(is_lost=True)
        if lost is None or self._devices[lost].due_us > now_us:
            return None
        is_free = sound is None or self._devices[sound].due_us >= now_us + self._wait_us
        return lost if is_free or self._is_starved(lost, now_us) else None

    def rest_us(self, now_us: int) -> int:
        """Return how long nobody is due, microseconds."""
        first_us = min((each.due_us for each in self._devices), default=now_us)
        return max(0, first_us - now_us)

    def answer(self, which: int) -> bool:
        """Take in that a device answered; return whether it was lost before."""
        device = self._devices[which]
        was_lost = device.is_lost
        device.failures = device.tries = 0
        device.has_answered, device.is_lost = True, False
        return was_lost

    def finish(self, which: int, now_us: int) -> None:
        """Take in that the round of a device is over."""
        device = self._devices[which]
        due_us = device.due_us + device.period_us
        # Rounds that were missed are not made good: that would be a burst.
        device.due_us = due_us if due_us > now_us else now_us + device.period_us

    def fail(self, which: int, now_us: int, is_over: bool = False) -> bool:
        """Take in that a device did not answer; return whether it counts as lost now.

        Args:
            which: The number of the device.
            now_us: When the wait for it was over.
            is_over: True where there is no use in asking it again soon.
        """
        device = self._devices[which]
        was_lost = device.is_lost
        device.failures += 1
        is_known = device.has_answered and not is_over
        device.is_lost = was_lost or device.failures >= LOST_AFTER or not is_known
        device.due_us = now_us + device.period_us
        if device.is_lost:
            back_off_s = BACK_OFFS_S[min(device.tries, len(BACK_OFFS_S) - 1)]
            device.due_us = now_us + max(device.period_us, back_off_s * US_PER_S)
            device.tries += 1
        return device.is_lost and not was_lost

    def _earliest(self, is_lost: bool) -> int | None:
        """Return the device of this kind that is due first."""
        found = [
            number
            for number, each in enumerate(self._devices)
            if each.is_lost == is_lost
        ]
        return min(found, key=lambda n: self._devices[n].due_us, default=None)

    def _is_starved(self, which: int, now_us: int) -> bool:
        return now_us - self._devices[which].due_us >= PATIENCE_US
