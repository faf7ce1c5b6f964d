"""The newest snapshot, kept between its changes for whoever asks.

Looking costs one `stat` of a file in memory; the file is read only when it has changed.
Knows no page and sends nothing.
"""

from dataclasses import dataclass, field, fields, replace

from logger.clock import uptime_us
from logger.core.health import Health, health_of_age
from logger.core.tick import US_PER_S
from logger.live import LiveReading, Snapshot, SnapshotFile
from logger.pipeline.series import TOLD


@dataclass(slots=True)
class Newest:
    """What the logger wrote last.

    Args:
        file: The snapshot; None where a log is opened from afar.

    Attributes:
        snapshot: What was read last; None while there is none.
        version: Rises by one whenever it changed.
    """

    file: SnapshotFile | None
    snapshot: Snapshot | None = None
    version: int = 0
    _stamp: int = 0
    _seen_us: int = field(default_factory=uptime_us)

    def look(self) -> None:
        """Read the file again if it has changed."""
        stamp = 0 if self.file is None else self.file.stamp()
        if self.file is None or stamp == self._stamp:
            return
        self._stamp = stamp
        self.snapshot = self.file.read()
        self.version += 1
        if self.snapshot is not None:
            self._seen_us = self.snapshot.written_us

    def age_s(self, now_us: int | None = None) -> float:
        """Return the age of the snapshot, s; without one, for how long there is none.

        Args:
            now_us: Uptime of the computer, microseconds; None for now.
        """
        now_us = uptime_us() if now_us is None else now_us
        return max(0.0, (now_us - self._seen_us) / US_PER_S)


@dataclass(frozen=True, slots=True)
class AgedSnapshot(Snapshot):
    """A snapshot whose ages and health are those of now.

    Ages are those that a person would measure: where the logger's clock runs faster
    than the computer (demo), its ages are divided by that speed.

    Attributes:
        snapshot_age_s: Time since the snapshot was written, s.
    """

    snapshot_age_s: float = 0.0


def aged(snapshot: Snapshot, age_s: float) -> AgedSnapshot:
    """Return a snapshot as it stands now: what fell silent is late or missing.

    Args:
        snapshot: The snapshot.
        age_s: Its age, s.
    """
    values = {each.name: getattr(snapshot, each.name) for each in fields(snapshot)}
    values["readings"] = {
        name: _aged_reading(reading, snapshot.speed, age_s)
        for name, reading in snapshot.readings.items()
    }
    values["sources"] = tuple(
        each
        if each.age_s is None
        else replace(each, age_s=each.age_s / snapshot.speed + age_s)
        for each in snapshot.sources
    )
    return AgedSnapshot(**values, snapshot_age_s=age_s)


def _aged_reading(reading: LiveReading, speed: float, age_s: float) -> LiveReading:
    grown_s, period_s = reading.age_s / speed + age_s, reading.period_s / speed
    by_age = health_of_age(int(grown_s * US_PER_S), int(period_s * US_PER_S))
    health = reading.health
    if reading.source == TOLD:
        return reading  # a state holds until it is told otherwise
    is_only_old = health in (Health.FRESH, Health.LATE)
    if by_age is Health.MISSING or (by_age is Health.LATE and is_only_old):
        health = by_age
    return replace(reading, age_s=grown_s, period_s=period_s, health=health)
