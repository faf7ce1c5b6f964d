"""Lets one file operation after another fail, once or from then on.

An error that was reported says nothing about what was stored; so a logger tries the
same thing again, with the same writer, and in the end the log has to hold what it
would without any failure. After SQLite's own test of this kind.
"""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from logger.errors import StoreError
from logger.store.rows import Batch
from logger.store.writer import RunEnd, Writer
from tests.faults.cutting import workshop
from tests.faults.drive import Drive, Medium, hushed
from tests.faults.judging import batches_stored, judge
from tests.faults.life import Held, start_of
from tests.faults.recording import Recording, made_up

SECONDS = 90
TOGETHER = 10
"""Seconds a batch: a short run that still comes to fold a quarter of an hour."""

TRIES_BEFORE_HEALED = 3
MOST_TRIES = 6

T = TypeVar("T")


@dataclass(slots=True)
class Failures:
    """What many failures came to.

    Attributes:
        operations: What the work asks of the medium when nothing fails.
        runs: How often it was done, with a failure each.
        stored_anyway: Batches that were stored although an error was reported.
        wrong: Where the log was not what it should be, in words.
    """

    operations: int = 0
    runs: int = 0
    stored_anyway: int = 0
    wrong: list[str] = field(default_factory=list)

    def lines(self) -> Iterator[str]:
        """Yield the figures as lines."""
        yield f"file operations of the work: {self.operations}"
        yield f"runs with one of them failing, once or from then on: {self.runs}"
        yield f"batches stored although an error was reported: {self.stored_anyway}"
        yield f"logs that were not as without a failure: {len(self.wrong)}"
        yield from self.wrong[:20]


def in_groups(recording: Recording) -> Recording:
    """Return a recording whose batches hold several seconds each."""
    parts = [
        recording.batches[first : first + TOGETHER]
        for first in range(0, len(recording.batches) - 1, TOGETHER)
    ]
    groups = tuple(
        Batch(
            outputs=[output for each in part for output in each.outputs],
            raw=[item for each in part for item in each.raw],
            events=[event for each in part for event in each.events],
            pins=[pin for each in part for pin in each.pins],
        )
        for part in parts
    )
    return Recording(groups, recording.end_us)


@dataclass(slots=True)
class Stubborn:
    """Does the work of a logger on a failing medium, trying again what fails.

    Args:
        medium: Where the bytes go.
        shop: A folder for the lock, and to look at what is there.
        recording: What is stored.
    """

    medium: Medium
    shop: Path
    recording: Recording
    stored_anyway: int = 0
    run: int = 0
    _tries: int = 0

    def work(self) -> None:
        """Do all of it; the medium heals after some tries."""
        drive = Drive(self.medium, checkpoint_pages=20)
        lock = self.shop / "lock" / "van.db"
        writer = self._until_done(lambda: Writer(lock, drive.connect))
        self.run = self._until_done(lambda: writer.begin_run(start_of(0)))
        *batches, last = self.recording.batches
        for count, batch in enumerate(batches, start=1):
            self._store(writer, count, batch)
            while self._until_done(writer.tidy):
                pass
        end = RunEnd(self.recording.end_us)
        self._until_done(lambda: writer.end_run(self.run, end, last))
        writer.close()
        drive.pull()

    def _store(self, writer: Writer, count: int, batch: Batch) -> None:
        def store() -> None:
            try:
                writer.store(self.run, batch)
            except StoreError:
                self.stored_anyway += self._is_there(count)
                raise

        self._until_done(store)

    def _until_done(self, job: Callable[[], T]) -> T:
        """Try until it works, on a medium that heals after some tries."""
        for _ in range(MOST_TRIES):
            try:
                return job()
            except StoreError:
                self._tries += 1
                if self._tries == TRIES_BEFORE_HEALED:
                    self.medium.fails = lambda _number: False
        raise AssertionError("the writer does not go on although the medium is well")

    def _is_there(self, count: int) -> bool:
        """Return whether a batch is in the files as they are now."""
        folder = self.shop / "looked at"
        folder.mkdir()
        for name, content in self.medium.files.items():
            (folder / name).write_bytes(content)
        found = batches_stored(folder / "van.db", self.held(count))
        shutil.rmtree(folder)
        return found >= count

    def held(self, count: int) -> Held:
        """Return what has to be there once so many batches are stored."""
        date_us = start_of(0).start_us or 0
        is_ended = count == len(self.recording.batches)
        return Held(
            self.run, self.recording, count, count, frozenset([date_us]), is_ended
        )


def exhaust(step: int) -> Failures:
    """Let every operation of the work fail in turn.

    Args:
        step: 1 takes every operation, 10 every tenth; of the flushes, of which one
            cannot know what they did before they failed, every fifth at least.
    """
    found = Failures()
    recording = in_groups(made_up(2, SECONDS))
    with workshop() as shop, hushed():
        (shop / "lock").mkdir()
        well = Stubborn(Medium(), shop, recording)
        well.work()
        found.operations = well.medium.asked
        every = range(1, found.operations + 1)[::step]
        for number in sorted({*every, *well.medium.flushes[::5]}):
            for what, fails in (
                ("once", lambda n, k=number: n == k),
                ("from then on", lambda n, k=number: n >= k),
            ):
                one = Stubborn(Medium(fails=fails), shop, recording)
                wrong = _outcome(one)
                found.runs += 1
                found.stored_anyway += one.stored_anyway
                if wrong:
                    found.wrong.append(f"operation {number}, {what}: {wrong}")
    return found


def _outcome(one: Stubborn) -> str:
    """Do the work once; return what is wrong with the log, in words."""
    try:
        one.work()
    except AssertionError as err:
        return str(err)
    folder = one.shop / "left"
    folder.mkdir()
    files = {name: bytes(content) for name, content in one.medium.files.items()}
    verdict = judge(files, folder, [one.held(len(one.recording.batches))])
    shutil.rmtree(folder)
    return verdict.damage or "; ".join(verdict.lost)
