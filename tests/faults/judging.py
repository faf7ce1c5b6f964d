"""Looks at what a cut left: is it sound, and is everything there that was promised?"""

import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from logger.daemon.book import end_cut_off_runs
from logger.errors import StoreError
from logger.store.migrations import version_of
from logger.store.packed import DamagedRowError
from logger.store.reader import Log
from logger.store.writer import RunEnd, Writer
from tests.faults.life import Held, start_of
from tests.faults.medium import Files
from tests.faults.recording import made_up, shed_of, stored


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found after one cut.

    Attributes:
        damage: What is wrong with the file; empty where it is sound.
        lost: Which acknowledged things are not there, or not as they were.
        held: What is there of each run, for the next life.
        unstored: Batches that were handed over and are not there.
        work: What had been done to the log: `folded`, `shed`, or both.
    """

    damage: str = ""
    lost: tuple[str, ...] = ()
    held: tuple[Held, ...] = ()
    unstored: int = 0
    work: frozenset[str] = frozenset()


def judge(files: Files, folder: Path, promised: list[Held]) -> Verdict:
    """Write what a cut left into an empty folder and look at it.

    Args:
        files: What every file holds.
        folder: Empty; the log in it is `van.db`.
        promised: What has to be there.
    """
    for name, content in files.items():
        (folder / name).write_bytes(content)
    path = folder / "van.db"
    try:
        return judge_log(path, promised)
    except (sqlite3.DatabaseError, DamagedRowError, StoreError) as err:
        return Verdict(damage=str(err))


def judge_log(path: Path, promised: list[Held]) -> Verdict:
    """Look at a log as it was left, then let a new writer go on in it.

    Args:
        path: The log.
        promised: What has to be there.

    Raises:
        sqlite3.DatabaseError: It cannot even be read.
    """
    version, damage = _soundness(path)
    if damage:
        return Verdict(damage)
    if version == 0 and not promised:
        return _go_on(path, [])  # the log was being made: a new writer makes it
    held, lost = _kept(path, promised)
    unstored = sum(
        wanted.most - found.fewest for wanted, found in zip(promised, held, strict=True)
    )
    if lost:
        return Verdict(lost=lost, unstored=unstored)
    work = _work(path)
    return replace(_go_on(path, held), unstored=unstored, work=work)


def _work(path: Path) -> frozenset[str]:
    """Return what the writer had done to a log besides storing."""
    with Log(path) as log:
        counts = log.connection.execute(
            "SELECT (SELECT count(*) FROM span), (SELECT count(*) FROM shed)"
        ).fetchone()
    names = ("folded", "shed")
    return frozenset(n for n, count in zip(names, counts, strict=True) if count)


def _soundness(path: Path) -> tuple[int, str]:
    """Return the version of a log, and what is wrong with its file."""
    with closing(sqlite3.connect(path)) as plain:
        (whole,) = plain.execute("PRAGMA integrity_check(1)").fetchone()
        orphans = plain.execute("PRAGMA foreign_key_check").fetchall()
        version = version_of(plain)
    if whole != "ok":
        return version, str(whole).splitlines()[-1]
    return version, f"rows without their run: {orphans[:3]}" if orphans else ""


def _kept(path: Path, promised: list[Held]) -> tuple[list[Held], tuple[str, ...]]:
    """Return what is there of each run, and what is missing."""
    found, lost = [], []
    with Log(path) as log:
        rows = {row.id: row for row in log.runs()}
        for held in promised:
            count = _batches(log, held) if held.id in rows else 0
            row = rows.get(held.id)
            is_ended = row is not None and row.end_us is not None
            date_us = None if row is None else row.start_us
            if count < held.fewest or row is None:
                lost.append(f"run {held.id}: {count} of {held.fewest} batches")
            elif date_us not in held.dates:
                lost.append(f"run {held.id}: its date")
            elif held.is_ended and not is_ended:
                lost.append(f"run {held.id}: its end")
            elif held.is_cut_off and not _is_whole(log, held.id):
                lost.append(f"run {held.id}: its totals")
            found.append(
                replace(
                    held,
                    fewest=count,
                    most=count,
                    dates=frozenset([date_us or 0]),
                    is_ended=is_ended,
                )
            )
    return found, tuple(lost)


def missing(path: Path, promised: list[Held]) -> tuple[str, ...]:
    """Return what of the promised is not in a log, as it lies."""
    _, lost = _kept(path, promised)
    return lost


def batches_stored(path: Path, held: Held) -> int:
    """Return how many batches of a run are in a log, whole; -1 for something else."""
    with Log(path) as log:
        return _batches(log, held)


def _batches(log: Log, held: Held) -> int:
    """Return how many batches of a run are there, whole; -1 for something else."""
    content = stored(log, held.id)
    shed = shed_of(log, held.id)
    if held.is_cut_off:
        content = replace(content, totals=frozenset())

    def is_it(count: int) -> bool:
        whole, found = held.content(count), content
        if held.is_cut_off:
            found = content.as_far_as(whole)
        if not shed or found == whole:
            return found == whole
        return found.is_within(whole) and whole.without(shed).is_within(found)

    return next((n for n in range(held.most, -1, -1) if is_it(n)), -1)


def _is_whole(log: Log, run: int) -> bool:
    """Return whether the totals of a run cover exactly its stored seconds."""
    if "seconds" in shed_of(log, run):
        return True  # what it was is no longer there to be counted
    covered_us: Counter[str] = Counter()
    for tick in log.ticks(run):
        for name, cell in tick.cells.items():
            covered_us[name] += cell.covered_us
    totals = log.totals(run)
    return all(total.covered_us == covered_us[name] for name, total in totals.items())


def _go_on(path: Path, held: list[Held]) -> Verdict:
    """Let a new writer go on where the cut was; nothing of before may change."""
    recording = made_up(9, 3)
    start = start_of(len(held) + 50)
    with Writer(path) as writer:
        end_cut_off_runs(writer)
        run = writer.begin_run(start)
        for batch in recording.batches[:-1]:
            writer.store(run, batch)
        writer.end_run(run, RunEnd(recording.end_us), recording.batches[-1])
        while writer.tidy():
            pass
    # The books of a run that was cut off are closed: its totals are made whole.
    again = [each.closed() for each in held]
    new = Held(
        id=run,
        recording=recording,
        fewest=len(recording.batches),
        most=len(recording.batches),
        dates=frozenset([start.start_us or 0]),
        is_ended=True,
    )
    _, lost = _kept(path, [*again, new])
    beside = sorted(each.name for each in path.parent.iterdir())
    if beside != ["van.db"]:
        return Verdict(f"left beside the log: {beside}", lost)
    _, damage = _soundness(path)
    return Verdict(damage, lost, tuple(held))
