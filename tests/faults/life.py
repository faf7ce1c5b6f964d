"""One life of the writer on a medium: what it was asked, and what it acknowledged.

The real writer does the real work of a logger: it opens the log (making it, or bringing
an old one up to date), begins runs, stores a batch a second, folds and prunes in
between, sets a date right, ends runs, closes and opens again.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from random import Random

from logger.clock import Clock
from logger.store.keeping import Limits
from logger.store.writer import KEEPING_US, RunEnd, RunStart, Writer
from tests.faults.drive import Drive
from tests.faults.recording import Content, Recording, made_up, van_text

NOON_US = 1_790_000_000_000_000
"""What the computer takes for the date when a run begins."""

LONGEST_RUN = 150
TIDIES = 40
"""Portions of folding and pruning between two batches, at most."""

ALL_TIDIES = 1000
ENDED = 0.9
"""How often a run is ended; a logger that crashed leaves one open."""


MOST = 1 << 60
AGES_US = (10**8, 10**9, 5 * 10**9, MOST)
"""How long something is kept: a few quarters of an hour, some runs, for ever."""

_calls = itertools.count()


@dataclass(frozen=True, slots=True)
class Hurried(Clock):
    """A clock by which it is always time to look for room again."""

    def mono_us(self) -> int:
        """Return a later time at each call, microseconds."""
        return next(_calls) * KEEPING_US


def some_limits(rng: Random) -> Limits:
    """Return limits that let a good deal go while a life lasts."""
    return Limits(
        size_bytes=MOST,
        frames_bytes=rng.choice((10**4, 10**5, MOST)),
        frames_us=rng.choice(AGES_US),
        seconds_us=rng.choice(AGES_US),
        minutes_us=rng.choice(AGES_US),
        quarters_us=rng.choice((None, *AGES_US)),
    )


def start_of(number: int) -> RunStart:
    """Return what a live run knows of itself when it begins."""
    return RunStart(
        recording=None,
        recording_sha256=None,
        start_us=NOON_US + number * 10**9,
        is_start_sure=number % 2 == 0,
        zero_stamp_us=0,
        program="ampledger test",
        van_text=van_text(),
        descriptions={},
    )


@dataclass(frozen=True, slots=True)
class Deed:
    """One call to the writer.

    Attributes:
        stage: What was asked: open, begin, store, tidy, redate, end or close.
        began: Operations on the medium before the call.
        done: Operations on it when the call had returned.
        run: The run, as the harness counts them.
        batches: How many batches of the run are stored once it is done.
        start_us: The run's date once it is done.
    """

    stage: str
    began: int
    done: int
    run: int = -1
    batches: int = 0
    start_us: int = 0


@dataclass(frozen=True, slots=True)
class Held:
    """What the log has to hold of one run after a cut.

    Attributes:
        id: The run's number in the log.
        recording: What it was made of.
        fewest: Batches that were acknowledged.
        most: The same, and one that was under way.
        dates: What its date may be.
        is_ended: Whether its end was acknowledged.
        fixed: What it holds, where it is not made of a recording.
        is_cut_off: Whether its books were closed after a cut: totals, and what was
            under way, are then made from its seconds.
    """

    id: int
    recording: Recording
    fewest: int
    most: int
    dates: frozenset[int]
    is_ended: bool
    fixed: Content | None = None
    is_cut_off: bool = False

    def content(self, count: int) -> Content:
        """Return what is to be there with that many batches stored."""
        content = self.recording.content(count) if self.fixed is None else self.fixed
        if not self.is_cut_off:
            return content
        return replace(content, totals=frozenset(), trips=content.trips[:-1])

    def closed(self) -> "Held":
        """Return it once a new writer has closed its books, if it was cut off."""
        is_cut_off = self.is_cut_off or not self.is_ended
        return replace(self, is_cut_off=is_cut_off, is_ended=True)


@dataclass(slots=True)
class Life:
    """The writer at work, until it is told to stop.

    Args:
        drive: Opens the log.
        path: Where the writer's lock lies; the bytes are on the drive's medium.
        rng: Decides what is done.
        before: What earlier lives left.
    """

    drive: Drive
    path: Path
    rng: Random
    before: list[Held] = field(default_factory=list)
    deeds: list[Deed] = field(default_factory=list)
    runs: list[tuple[int, Recording]] = field(default_factory=list)
    limits: Limits = field(init=False)
    _writer: Writer | None = None

    def __post_init__(self) -> None:
        self.limits = some_limits(self.rng)

    def go(self, runs: int) -> None:
        """Open, write some runs, close; in between close and open again."""
        self._open()
        for number in range(runs):
            self._live(number)
            if self.rng.random() < 0.5:
                self._close()
                self._open()
        self._close()

    def stage_at(self, cut: int) -> str:
        """Return what was under way behind that many operations."""
        return next((d.stage for d in self.deeds if d.began < cut <= d.done), "idle")

    def held_at(self, cut: int) -> list[Held]:
        """Return what has to be there if power went behind that many operations."""
        return self.before + [
            held
            for number in range(len(self.runs))
            if (held := self._held(number, cut)) is not None
        ]

    def _held(self, number: int, cut: int) -> Held | None:
        deeds = [deed for deed in self.deeds if deed.run == number]
        done = [deed for deed in deeds if deed.done <= cut]
        if not done:
            return None
        known, recording = self.runs[number]
        begun = [deed for deed in deeds if deed.began <= cut]
        dates = {done[-1].start_us, begun[-1].start_us}
        return Held(
            id=known,
            recording=recording,
            fewest=done[-1].batches,
            most=begun[-1].batches,
            dates=frozenset(dates),
            is_ended=any(deed.stage == "end" for deed in done),
        )

    def _do(self, stage: str, job: Callable[[], object], **told: int) -> None:
        tape = self.drive.medium.tape
        began = len(tape)
        job()
        self.deeds.append(Deed(stage, began, len(tape), **told))

    def _open(self) -> None:
        def open_it() -> None:
            self._writer = Writer(self.path, self.drive.connect, Hurried(), self.limits)

        self._do("open", open_it)

    def _close(self) -> None:
        assert self._writer is not None
        self._do("close", self._writer.close)
        self.drive.pull()

    def _live(self, number: int) -> None:
        writer = self._writer
        assert writer is not None
        length = self.rng.randint(1, LONGEST_RUN)
        recording = made_up(self.rng.randrange(4), length)
        start = start_of(len(self.before) + number)
        date_us = start.start_us or 0

        def begin() -> None:
            self.runs.append((writer.begin_run(start), recording))

        self._do("begin", begin, run=number, start_us=date_us)
        run, _ = self.runs[-1]
        dated_at = self.rng.randrange(2 * length)
        for count, batch in enumerate(recording.batches[:-1], start=1):
            told = {"run": number, "batches": count, "start_us": date_us}
            self._do("store", partial(writer.store, run, batch), **told)
            if count == dated_at:
                date_us += self.rng.randint(-(10**12), 10**12)
                told["start_us"] = date_us
                redate = partial(writer.redate, run, date_us, "network", count)
                self._do("redate", redate, **told)
            self._tidy(self.rng.choice((0, 0, 1, TIDIES)))
        if self.rng.random() < ENDED:
            told = {"batches": len(recording.batches), "start_us": date_us}
            end = RunEnd(recording.end_us)
            finish = partial(writer.end_run, run, end, recording.batches[-1])
            self._do("end", finish, run=number, **told)
        self._tidy(self.rng.choice((0, ALL_TIDIES)))

    def _tidy(self, portions: int) -> None:
        writer = self._writer
        assert writer is not None

        def tidy() -> None:
            for _ in range(portions):
                if not writer.tidy():
                    return

        if portions:
            self._do("tidy", tidy)
