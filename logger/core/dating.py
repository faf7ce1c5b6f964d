"""The date of a run's zero: what confirms it, and what a step of the wall clock is.

A small computer without a clock battery wakes up with a wrong date. Until something
outside confirms one, a run's date is a guess. Fed once a second with what the clocks
say; answers with a confirmed date and with what is worth a line in the log. All
durations are measured by the steady clock: nothing here can change one.

Who is believed: a person more than the computer's guess, network and satellites more
than a person. Of these two the first word stands, whatever the wall clock does later,
until both of them tell another date that they agree on.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Literal, get_args

from logger.core.satellites import (
    LINE_US,
    SatelliteDate,
    Steady,
    is_plausible,
    steadied,
)
from logger.core.tick import US_PER_S

DatedBy = Literal["computer", "person", "network", "satellites"]

RANKS: dict[DatedBy, int] = {"computer": 0, "person": 1, "network": 2, "satellites": 2}
"""Who is believed against whom."""

STEP_US = US_PER_S // 2
"""A larger change between two looks is a step. Slewing moves both clocks alike."""

DIFFERS_US = US_PER_S
"""Two dates further apart than this differ."""

DRIFT_SHARE = 100e-6
"""How far the steady clock may run away while no network disciplines it: more than any
crystal of a computer (common practice, no source)."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Look:
    """What the clocks say at one moment.

    Attributes:
        t_us: The moment, microseconds since the run's zero, by the steady clock.
        wall_us: The wall clock, microseconds since the Unix epoch.
        is_wall_sure: True while something outside disciplines that clock.
        satellites: The newest date of a receiver; None without a good fix.
    """

    t_us: int
    wall_us: int
    is_wall_sure: bool
    satellites: SatelliteDate | None = None


@dataclass(frozen=True, slots=True)
class Dated:
    """A date of the run's zero, and who gave it.

    Attributes:
        start_us: The date, microseconds since the Unix epoch.
        dated_by: Who.
        t_us: When that was, microseconds since the run's zero.
    """

    start_us: int
    dated_by: DatedBy
    t_us: int

    def agrees(self, other: "Dated") -> bool:
        """Return whether two dates are the same, as far as their makers know."""
        late_us = LINE_US if "satellites" in (self.dated_by, other.dated_by) else 0
        drift_us = DRIFT_SHARE * abs(self.t_us - other.t_us)
        return abs(self.start_us - other.start_us) <= DIFFERS_US + late_us + drift_us


@dataclass(frozen=True, slots=True)
class Told:
    """Something worth a line in the log, at the time of what brought it up."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Dating:
    """How far the date of one run is known.

    Attributes:
        date: The date that holds.
        wall_zero_us: The run's zero by the wall clock at the last look.
        was_sure: Whether that clock was sure at the last look.
        steady: What satellites have told lately; None without a good fix.
        against: What network and satellites say against the date, told already.
    """

    date: Dated
    wall_zero_us: int
    was_sure: bool = False
    steady: Steady | None = None
    against: tuple[Dated, ...] = ()

    @property
    def is_sure(self) -> bool:
        """True once somebody has confirmed the date."""
        return self.date.dated_by != "computer"


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a look or of a word.

    Attributes:
        dating: How far the date is known now.
        told: What is worth a line in the log.
        date: The date that holds from now on, where it is a new one.
    """

    dating: Dating
    told: tuple[Told, ...] = ()
    date: Dated | None = None


def look(dating: Dating, seen: Look) -> Answer:
    """Take in what the clocks say.

    The network has confirmed a date where the wall clock was sure at two looks in a row
    and did not step between them.

    Args:
        dating: How far the date was known.
        seen: What the clocks say now.
    """
    wall_zero_us = seen.wall_us - seen.t_us
    stepped_us = wall_zero_us - dating.wall_zero_us
    is_step = abs(stepped_us) > STEP_US
    told = (_step(seen, stepped_us),) if is_step else ()
    steady = steadied(dating.steady, seen.satellites)
    words: list[tuple[Dated, int]] = []
    if seen.is_wall_sure and dating.was_sure and not is_step:
        words.append((Dated(wall_zero_us, "network", seen.t_us), 0))
    if steady is not None and steady.is_long_enough:
        words.append((Dated(steady.high_us, "satellites", seen.t_us), steady.weeks))
    answer = Answer(
        replace(
            dating,
            wall_zero_us=wall_zero_us,
            was_sure=seen.is_wall_sure,
            steady=steady,
        ),
        told,
    )
    for word, weeks in words:
        answer = _weighed(answer, word, weeks)
    return answer


def told_by_person(dating: Dating, start_us: int, t_us: int) -> Answer:
    """Take in the date that a person gave.

    Args:
        dating: How far the date was known.
        start_us: The run's zero by that date, microseconds since the Unix epoch.
        t_us: When it was given, microseconds since the run's zero.
    """
    if not is_plausible(start_us):
        return Answer(dating, (Told("date not taken", "It is not from 2026 to 2100."),))
    if RANKS[dating.date.dated_by] > RANKS["person"]:
        text = f"The date is confirmed by {dating.date.dated_by} already."
        return Answer(dating, (Told("date not taken", text),))
    return _taken(Answer(dating), Dated(start_us, "person", t_us), 0)


def found_by(dated_by: str) -> DatedBy | None:
    """Return what gave a stored date; None for a recording's own date."""
    return next((each for each in get_args(DatedBy) if each == dated_by), None)


def date_text(date_us: int) -> str:
    """Write a date of any year from 1 to 9999, `2026-11-25T08:00:00.0Z`."""
    date = EPOCH + timedelta(microseconds=date_us)
    tenths = date.microsecond * 10 // US_PER_S
    return f"{date.replace(microsecond=0, tzinfo=None).isoformat()}.{tenths}Z"


def _step(seen: Look, stepped_us: int) -> Told:
    before, after = date_text(seen.wall_us - stepped_us), date_text(seen.wall_us)
    moved = f"{stepped_us / US_PER_S:+,.1f} s, from {before} to {after}"
    return Told("clock step", f"The computer's clock stepped by {moved}.")


def _weighed(answer: Answer, word: Dated, weeks: int) -> Answer:
    """Weigh what network or satellites say against the date that holds."""
    dating = answer.dating
    if RANKS[word.dated_by] > RANKS[dating.date.dated_by]:
        return _taken(answer, word, weeks)
    if word.agrees(dating.date):
        return answer
    others = [each for each in dating.against if each.dated_by != word.dated_by]
    if any(each.agrees(word) for each in others):
        return _taken(answer, word, weeks)
    if any(each.agrees(word) for each in dating.against):
        return answer
    apart_s = (word.start_us - dating.date.start_us) / US_PER_S
    text = (
        f"By {word.dated_by} the run began {apart_s:+,.1f} s from the date that "
        f"{dating.date.dated_by} confirmed; that one is kept."
    )
    return Answer(
        replace(dating, against=(*others, word)),
        (*answer.told, Told("dates differ", text)),
        answer.date,
    )


def _taken(answer: Answer, word: Dated, weeks: int) -> Answer:
    told = answer.told
    if weeks:
        text = f"The receiver's date lay {weeks:,} weeks back and was put right."
        told = (*told, Told("weeks rolled over", text))
    return Answer(replace(answer.dating, date=word, against=()), told, word)
