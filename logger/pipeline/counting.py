"""The count of one run: where it begins, what each second adds, what nobody saw.

Time counts as unseen when no interval of pack current covers it and none is likely to
any more: gaps, a sensor that has fallen silent, and all of a run without such a sensor.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from logger.core.silence import Silences
from logger.core.soc import (
    NO_STANDING,
    Band,
    Count,
    Standing,
    band,
    sigma_pct,
    step,
)
from logger.core.tick import SECONDS_PER_HOUR, US_PER_S, Cell
from logger.pipeline.spec import COUNTED, REPORTED_SOC, BookingSpec


@dataclass(slots=True)
class Counting:
    """Counts the seconds of one run; is fed and answers.

    Args:
        spec: What has to be known of the van.
        silences: Tells when the current was heard last; fed by its owner, before the
            second is counted.
        carried: The count as the run before left it, or None.
    """

    spec: BookingSpec
    silences: Silences
    carried: Count | None
    _count: Count = field(init=False)
    _awaits_start: bool = field(init=False)
    _covered_us: int = 0
    _unseen_us: int = 0
    _unseen_before: tuple[float, int] = field(init=False)
    _starts_now: bool = False

    def __post_init__(self) -> None:
        self._count, self._awaits_start = _begin(self.spec, self.carried)
        self._unseen_before = (self._count.unseen_s, 0)

    @property
    def count(self) -> Count:
        """How far the count has come."""
        return self._count

    @property
    def sigma_pct(self) -> float | None:
        """One standard deviation of the count, points; None without a pack."""
        pack = self.spec.pack
        return None if pack is None else sigma_pct(self._count, pack)

    def begin_second(self, cells: Mapping[str, Cell]) -> Standing:
        """Return how the count stands before a second, with a start reported in it.

        Args:
            cells: What every channel did in the second.
        """
        reported = cells.get(REPORTED_SOC)
        if self._awaits_start and reported is not None:
            self._awaits_start = False
            self._starts_now = True
            self._count = replace(
                self.spec.start,
                counted_pct=reported.last,
                moved_pct=self._count.moved_pct,
            )
        return self._standing()

    @property
    def band(self) -> Band | None:
        """What a person may be shown now; None while no start is known."""
        pack = self.spec.pack
        return None if pack is None else band(self._count, pack)

    def pass_time(self, now_us: int) -> None:
        """Let time pass in which nothing was heard: what nobody saw grows.

        Args:
            now_us: The moment, microseconds since the run's zero.
        """
        self.end_second({}, now_us)

    def end_second(self, cells: Mapping[str, Cell], now_us: int) -> Standing:
        """Count one second; return how the count stands after it.

        Args:
            cells: What every channel did in the second.
            now_us: Its newest sample, microseconds since the run's zero.
        """
        pack, cell = self.spec.pack, cells.get(COUNTED)
        if pack is None:
            return NO_STANDING
        counted_us = 0 if cell is None else cell.covered_us
        self._covered_us += counted_us
        self._unseen_us = self._unseen_by(now_us)
        if self._starts_now:  # what was unseen until now was so before the start
            self._unseen_before = (self._count.unseen_s, self._unseen_us)
            self._starts_now = False
        count = step(
            self._count,
            charge_ah=0.0 if cell is None else cell.integral / SECONDS_PER_HOUR,
            counted_s=counted_us / US_PER_S,
            unseen_s=0.0,
            pack=pack,
        )
        # Not added up: however often it was looked at, it comes to the same to the bit.
        before_s, before_us = self._unseen_before
        unseen_s = before_s + (self._unseen_us - before_us) / US_PER_S
        self._count = replace(count, unseen_s=unseen_s)
        return self._standing()

    def _unseen_by(self, now_us: int) -> int:
        """Return all time of the run so far that nobody counted, microseconds."""
        latest_us = self.silences.latest_us(COUNTED)
        if latest_us is None:
            return now_us
        is_silent = self.silences.is_silent(COUNTED, now_us)
        return (now_us if is_silent else latest_us) - self._covered_us

    def _standing(self) -> Standing:
        is_counted = self.spec.pack is not None and self.spec.is_current_fed
        return Standing(self.band, self._count.moved_pct if is_counted else None)


def _begin(spec: BookingSpec, carried: Count | None) -> tuple[Count, bool]:
    """Return where the count begins, and whether it waits for a reported start.

    A count that is carried over goes on, unless a reported start is the surer one.
    """
    if carried is None or carried.counted_pct is None:
        return spec.start, spec.is_start_reported
    carried_sigma_pct = 0.0 if spec.pack is None else sigma_pct(carried, spec.pack)
    is_surer = carried_sigma_pct <= spec.start.start_sigma_pct
    if spec.is_start_reported and not is_surer:
        return spec.start, True
    return carried, False
