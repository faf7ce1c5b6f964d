"""How a live figure grows old: fresh, late, held, gone.

Pure. Every figure carries what a page needs to age it by itself after the link has
gone: its age, when it is late, when it becomes a dash, and what then stands beneath.

Ages are those a person would measure: where the logger's clock runs faster than the
computer (demo), its ages and beats are divided by that speed, and then the snapshot's
own age is added. Limits are design judgement (no source): fresh up to 2 s or two
beats, a dash after 10 s or five beats, as everywhere in the program.
"""

from dataclasses import dataclass, replace
from typing import Literal

from dashboard.wording import DASH, Shown, Units
from logger.core.health import (
    LATE_FLOOR_US,
    LATE_PERIODS,
    MISSING_FLOOR_US,
    MISSING_PERIODS,
)
from logger.core.tick import US_PER_S
from logger.live import LiveReading, Snapshot

State = Literal["live", "late", "held", "none"]


@dataclass(frozen=True, slots=True)
class Limits:
    """When a figure is late, and when it becomes a dash, s."""

    late_after_s: float
    gone_after_s: float

    def state(self, age_s: float | None) -> State:
        """Return what an age makes of a figure."""
        if age_s is None or age_s > self.gone_after_s:
            return "none"
        return "late" if age_s > self.late_after_s else "live"


@dataclass(frozen=True, slots=True)
class Heard:
    """One reading as it stands for a person now.

    Attributes:
        value: Its value, in the channel's unit.
        age_s: Its age, s.
        limits: When it is late and when it is gone.
        source: Where it comes from.
    """

    value: float
    age_s: float
    limits: Limits
    source: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A snapshot, seen from now.

    Attributes:
        snapshot: The snapshot.
        age_s: Its age, s.
    """

    snapshot: Snapshot
    age_s: float

    @property
    def units(self) -> Units:
        """What the reader of this van is used to."""
        return Units.of(self.snapshot.van)

    def heard(self, channel: str, is_mean: bool = False) -> Heard | None:
        """Return a channel's newest value, however old; None if it never spoke.

        Args:
            channel: Name of the channel.
            is_mean: True for its mean over 2 s, where there is one.
        """
        reading = self.snapshot.readings.get(channel)
        if reading is None or reading.value is None:
            return None
        value = reading.value
        if is_mean and reading.mean is not None:
            value = reading.mean
        return Heard(value, self.age_of(reading), self.limits(reading), reading.source)

    def age_of(self, reading: LiveReading) -> float:
        """Return the age of a reading now, s."""
        return reading.age_s / self.snapshot.speed + self.age_s

    def limits(self, reading: LiveReading) -> Limits:
        """Return when a reading is late and when it is gone."""
        period_s = reading.period_s / self.snapshot.speed
        return Limits(
            max(LATE_FLOOR_US / US_PER_S, LATE_PERIODS * period_s),
            max(MISSING_FLOOR_US / US_PER_S, MISSING_PERIODS * period_s),
        )

    def clock_ago(self, age_s: float) -> str:
        """Return `, 21:04`, the time of day some seconds ago; empty while unsure.

        Args:
            age_s: Age of what is told, s.
        """
        if not self.snapshot.is_clock_sure:
            return ""
        back_s = (age_s - self.age_s) * self.snapshot.speed
        date_us = self.snapshot.wall_us - int(back_s * US_PER_S)
        return f", {self.units.clock(date_us)}"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure, ready to be shown and to be aged.

    Attributes:
        text: Its digits while it is heard; a dash where it was never heard.
        value: The same before rounding, in the unit shown; None if never heard.
        step: What its last digit counts. A page changes the digits only when the
            value has moved 0.7 of it from what is shown.
        unit: Its unit, and what it is of.
        source: Where it comes from.
        age_s: Its age, s; None if never heard.
        late_after_s: From this age on it is late, s.
        gone_after_s: From this age on it is a dash, s.
        state: What that makes of it now.
        was: What stands beneath the dash.
    """

    text: str
    value: float | None
    step: float
    unit: str
    source: str
    age_s: float | None
    late_after_s: float
    gone_after_s: float
    state: State
    was: str


NEVER = Figure(DASH, None, 1.0, "", "", None, 2.0, 10.0, "none", "")
"""A figure that nothing was ever heard of."""


def figure(moment: Moment, shown: Shown, heard: Heard, unit: str) -> Figure:
    """Return a figure of something that was heard.

    Args:
        moment: Snapshot and age.
        shown: How its value is written.
        heard: What was heard.
        unit: Unit, and what it is of.
    """
    return Figure(
        text=shown.text,
        value=shown.value,
        step=shown.step,
        unit=unit,
        source=heard.source,
        age_s=heard.age_s,
        late_after_s=heard.limits.late_after_s,
        gone_after_s=heard.limits.gone_after_s,
        state=heard.limits.state(heard.age_s),
        was=f"was {shown.text} {unit}{moment.clock_ago(heard.age_s)}",
    )


def never(unit: str) -> Figure:
    """Return the dash of something that was never heard.

    Args:
        unit: Unit, and what it is of.
    """
    return replace(NEVER, unit=unit)
