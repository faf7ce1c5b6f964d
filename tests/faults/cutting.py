"""Cuts power again and again, and adds up what was found."""

import shutil
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from logger.store.migrations import MIGRATIONS
from logger.store.reader import Log
from tests.faults.drive import Drive, Medium
from tests.faults.judging import Verdict, judge
from tests.faults.life import Held, Life
from tests.faults.medium import Card, Files
from tests.faults.old_logs import write_old_log
from tests.faults.recording import made_up, stored

CUTS_A_LIFE = 25
IN_MEMORY = Path("/dev/shm")
CHECKPOINT_PAGES = (5, 20, 60, 1000)
RARE = ("open", "begin", "tidy", "redate", "end", "close")
"""Short stretches of a life, which chance alone would seldom hit."""

UNDER_WAY = 1
"""The second that a logger is listening through while the one before is stored."""


@dataclass(slots=True)
class Tally:
    """What many cuts came to.

    Attributes:
        stages: How many cuts fell into which stage of the work.
        work: How many of the logs had been folded, and had let something go.
        damaged: Files that were not sound, in words.
        lost: What was acknowledged and is gone, in words.
        worst_s: Most seconds of samples that one cut cost.
    """

    stages: Counter[str] = field(default_factory=Counter)
    work: Counter[str] = field(default_factory=Counter)
    damaged: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    worst_s: int = 0

    @property
    def cuts(self) -> int:
        """How many there were."""
        return self.stages.total()

    def add(self, stage: str, verdict: Verdict, where: str) -> None:
        """Count one cut."""
        self.stages[stage] += 1
        self.work.update(verdict.work)
        if verdict.damage:
            self.damaged.append(f"{where}: {verdict.damage}")
            return
        if verdict.lost:
            self.lost.append(f"{where}: {'; '.join(verdict.lost)}")
        self.worst_s = max(self.worst_s, verdict.unstored + UNDER_WAY)

    def lines(self, examples: int = 20) -> Iterator[str]:
        """Yield the figures as lines, and some of what was found."""
        yield f"cuts: {self.cuts}"
        stages = sorted(self.stages.items())
        yield "while: " + ", ".join(f"{stage} {count}" for stage, count in stages)
        folded, shed = self.work["folded"], self.work["shed"]
        yield f"logs with folded seconds: {folded}, that let something go: {shed}"
        yield f"files damaged: {len(self.damaged)}"
        yield f"acknowledged and lost: {len(self.lost)}"
        yield f"most seconds of samples lost at one cut: {self.worst_s}"
        yield from (self.damaged + self.lost)[:examples]


@contextmanager
def workshop() -> Iterator[Path]:
    """Return a folder for what cuts leave, in memory where there is such a place."""
    place = IN_MEMORY if IN_MEMORY.is_dir() else None
    with TemporaryDirectory(prefix="cuts-", dir=place) as name:
        yield Path(name)


def play(cuts: int, seed: int, synchronous: str = "FULL", lies: float = 0.0) -> Tally:
    """Cut power that often; each life of the writer is cut at several places.

    Args:
        cuts: How many.
        seed: Decides everything; the same seed gives the same cuts.
        synchronous: How carefully SQLite flushes.
        lies: How often the card acknowledges a flush that it does not do, 0 to 1.
    """
    tally = Tally()
    rng = Random(seed)
    with workshop() as shop:
        files, before = _beginning(rng, shop)
        while tally.cuts < cuts:
            count = min(CUTS_A_LIFE, cuts - tally.cuts)
            drive = Drive(
                Medium.holding(files), synchronous, rng.choice(CHECKPOINT_PAGES)
            )
            life = Life(drive, shop / "lock" / "van.db", rng, before)
            life.go(rng.randint(1, 3))
            left = _cut_one(life, files, count, shop, tally, lies)
            sound = [each for each in left if not (each[1].damage or each[1].lost)]
            # What a cut left is where every second life begins.
            if sound and rng.random() < 0.5 and len(before) < 6:
                files, verdict = rng.choice(sound)
                before = list(verdict.held)
            else:
                files, before = _beginning(rng, shop)
    return tally


def _cut_one(
    life: Life, files: Files, count: int, shop: Path, tally: Tally, lies: float
) -> list[tuple[Files, Verdict]]:
    """Cut one life at several places; return what was left at each."""
    tape, rng = life.drive.medium.tape, life.rng
    card, at = Card.holding(files, lies, rng.randrange(2**32)), 0
    found: list[tuple[Files, Verdict]] = []
    for cut in sorted(_places(life, count)):
        card.take(tape[at:cut])
        at = cut
        left = card.cut(rng)
        folder = shop / "left"
        folder.mkdir()
        verdict = judge(left, folder, life.held_at(cut))
        shutil.rmtree(folder)
        stage = life.stage_at(cut)
        tally.add(stage, verdict, f"cut {tally.cuts + 1} ({stage})")
        found.append((left, verdict))
    return found


def _places(life: Life, count: int) -> list[int]:
    """Return where to cut: half of it anywhere, half in the rare stages."""
    rng, end = life.rng, len(life.drive.medium.tape)
    spans: dict[str, list[range]] = {}
    for deed in life.deeds:
        if deed.stage in RARE and deed.done > deed.began:
            span = range(deed.began + 1, deed.done + 1)
            spans.setdefault(deed.stage, []).append(span)
    stages = sorted(spans)
    return [
        rng.randint(0, end)
        if rng.random() < 0.5
        else rng.choice(rng.choice(spans[rng.choice(stages)]))
        for _ in range(count)
    ]


def _beginning(rng: Random, shop: Path) -> tuple[Files, list[Held]]:
    """Return what is on the card at first: nothing, or a log of an earlier version."""
    lock = shop / "lock"
    lock.mkdir(exist_ok=True)
    version = rng.randrange(2 * len(MIGRATIONS)) - len(MIGRATIONS)
    if version <= 0:
        return {}, []
    path = shop / "old.db"
    path.unlink(missing_ok=True)
    write_old_log(path, version)
    with Log(path) as log:
        (row,) = log.runs()
        date_us = row.start_us or 0
        fixed = stored(log, row.id)
    held = Held(1, made_up(0, 1), 0, 0, frozenset([date_us]), True, fixed)
    return {"van.db": path.read_bytes()}, [held]
