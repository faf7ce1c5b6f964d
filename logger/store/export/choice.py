"""Which part of a log is exported: all of it, some hours of it, or one run.

A range is half-open, so that two that meet give everything once. A run without a date
cannot be in a range.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from logger.core.tick import US_PER_S
from logger.store.export.queries import shed
from logger.store.reader import Log, RunRow, iso_utc

FOR_EVER_US = 2**62
"""Beyond every time of a run."""

TELL_EVERY_US = 900 * US_PER_S
"""How much log is walked before that is told again: a page of it."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What of a log is wanted.

    Attributes:
        run: Number of the only run; None for all.
        from_us: First date, microseconds since the Unix epoch; None for the beginning.
        to_us: First date that is not wanted any more; None for the end.
    """

    run: int | None = None
    from_us: int | None = None
    to_us: int | None = None

    @property
    def is_empty(self) -> bool:
        """True where no moment can be in it."""
        return (
            self.from_us is not None
            and self.to_us is not None
            and self.from_us >= self.to_us
        )

    @property
    def is_range(self) -> bool:
        """True where a date bounds it."""
        return self.from_us is not None or self.to_us is not None


@dataclass(frozen=True, slots=True)
class Part:
    """One run, or a stretch of it.

    Attributes:
        run: The run.
        start_us: First moment wanted, microseconds since the run's zero.
        end_us: First moment that is not wanted any more.
    """

    run: RunRow
    start_us: int = -FOR_EVER_US
    end_us: int = FOR_EVER_US

    def holds(self, t_us: int) -> bool:
        """Return whether a moment of the run is wanted."""
        return self.start_us <= t_us < self.end_us

    def of_length(self, length_us: int) -> tuple[int, int]:
        """Return the first and last of equal stretches of a run that may have a share.

        Args:
            length_us: How long each is: a second, a minute, a quarter of an hour.
        """
        return max(self.start_us // length_us, 0), self.end_us // length_us


@dataclass(slots=True)
class Extract:
    """The chosen parts of an open log, walked once, in order of date.

    Args:
        log: The log.
        parts: What was chosen; the dated ones by date, then the others.
        channels: Of signals, only these; none means all.
        zone: The van's own time zone.
        tell: Told how far the walk is, in seconds of log.
    """

    log: Log
    parts: Sequence[Part]
    channels: tuple[str, ...] = ()
    zone: tzinfo = UTC
    tell: Callable[[int], None] = lambda done_s: None
    _before_us: int = field(default=0, init=False)
    _told_us: int = field(default=0, init=False)

    @property
    def total_s(self) -> int:
        """How much log there is to walk, s."""
        return sum(map(_length_us, self.parts)) // US_PER_S

    def each(self) -> Iterator[Part]:
        """Yield the parts; tells when each is done."""
        for part in self.parts:
            self._told_us = 0
            yield part
            self._before_us += _length_us(part)
            self.tell(self._before_us // US_PER_S)

    def reached(self, part: Part, t_us: int) -> None:
        """Take note of how far the walk through the part under way is."""
        done_us = t_us - max(part.start_us, 0)
        if done_us - self._told_us >= TELL_EVERY_US:
            self._told_us = done_us
            self.tell((self._before_us + done_us) // US_PER_S)


def _length_us(part: Part) -> int:
    last_us = part.run.end_us or part.run.balance_us or 0
    return max(min(last_us, part.end_us) - max(part.start_us, 0), 0)


@dataclass(frozen=True, slots=True)
class Chosen:
    """The parts of a log that a choice comes to.

    Attributes:
        parts: The dated ones by date, then the others by number.
        notes: What a person should know of what is not among them, a sentence each.
    """

    parts: tuple[Part, ...]
    notes: tuple[str, ...]


def chosen(log: Log, choice: Choice, kept: str | None = None) -> Chosen:
    """Return the parts of a log that a choice comes to.

    Args:
        log: The log.
        choice: What is wanted.
        kept: What the export is made of, as the table `shed` calls it.
    """
    parts: list[Part] = []
    notes: list[str] = []
    for run in log.runs():
        if run.is_stopped_replay or choice.run not in (None, run.id):
            continue
        if choice.is_range and run.start_us is None:
            notes.append(f"Run {run.id} has no date and is left out.")
            continue
        part = _part(run, choice)
        if not _is_beside(part):
            parts.append(part)
            until_us = shed(log, run.id).get(kept or "", 0)
            if until_us > max(part.start_us, 0):
                notes.append(_no_longer_kept(run, kept or "", until_us))
    return Chosen(tuple(parts), tuple(notes))


def _part(run: RunRow, choice: Choice) -> Part:
    zero_us = run.start_us or 0
    return Part(
        run,
        -FOR_EVER_US if choice.from_us is None else choice.from_us - zero_us,
        FOR_EVER_US if choice.to_us is None else choice.to_us - zero_us,
    )


def _is_beside(part: Part) -> bool:
    """Return whether a run as a whole lies outside of the range."""
    end_us = part.run.end_us
    return part.end_us <= 0 or (end_us is not None and part.start_us > end_us)


def _no_longer_kept(run: RunRow, what: str, until_us: int) -> str:
    until = iso_utc(run.date_us(until_us)) or f"second {until_us // US_PER_S}"
    return f"Run {run.id}: {what} until {until} are not all kept any more."


def one_clock(found: Chosen) -> Chosen:
    """Return the parts that can go into one CAN log: the dated ones, or one without.

    Stamps without a date are those of each recording's own clock, and a CAN log has no
    place to tell where one clock ends and the next begins.
    """
    dated = tuple(part for part in found.parts if part.run.start_us is not None)
    kept = dated or found.parts[:1]
    notes = tuple(
        f"Run {part.run.id} has no date and is left out: a CAN log has one clock. "
        f"Give it a file of its own with --run {part.run.id}."
        for part in found.parts
        if part not in kept
    )
    return Chosen(kept, (*found.notes, *notes))
