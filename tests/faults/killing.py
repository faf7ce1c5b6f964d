"""Kills a writing process again and again, and looks at what is left."""

import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from logger.errors import StoreError
from logger.store.packed import DamagedRowError
from logger.store.waiting_wal import wal_bytes
from tests.faults.cutting import Tally
from tests.faults.judging import Verdict, judge_log, missing
from tests.faults.life import Held
from tests.faults.recording import made_up

KILLS_A_LOG = 5
MOST_HEARD = 300
LONGEST_S = 0.002
"""From an acknowledgement to the kill, at most: about what storing a batch takes."""


@dataclass(slots=True)
class Told:
    """What a process said before it was killed.

    Attributes:
        held: The runs that it began, with what was acknowledged of each.
    """

    held: list[Held] = field(default_factory=list)

    def hear(self, line: str) -> None:
        """Take one whole line."""
        word, *rest = line.split()
        numbers = [int(each) for each in rest]
        if word == "begun":
            run, seed, seconds, date_us = numbers
            recording = made_up(seed, seconds)
            self.held.append(Held(run, recording, 0, 1, frozenset([date_us]), False))
            return
        now = self.held.pop()
        count = numbers[0]
        most = min(count + 1, len(now.recording.batches))
        is_ended = word == "ended"
        self.held.append(Held(now.id, now.recording, count, most, now.dates, is_ended))


def write_and_kill(path: Path, rng: Random) -> Told:
    """Let a process write, kill it, and return what it said."""
    told, seed = Told(), rng.randrange(2**32)
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.writing", str(path), str(seed)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        for _ in range(rng.randint(1, MOST_HEARD)):
            told.hear(process.stdout.readline())
        time.sleep(rng.uniform(0.0, LONGEST_S))
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
    for line in rest.splitlines(keepends=True):
        if line.endswith("\n"):
            told.hear(line)
    return told


def play(kills: int, seed: int) -> Tally:
    """Kill that often; each log is written on by several processes.

    Args:
        kills: How many.
        seed: Decides what is written; when the kill comes is the machine's affair.
    """
    tally, rng = Tally(), Random(seed)
    while tally.cuts < kills:
        with TemporaryDirectory() as name:
            path = Path(name) / "van.db"
            before: list[Held] = []
            for _ in range(min(KILLS_A_LOG, kills - tally.cuts)):
                told = write_and_kill(path, rng)
                tally.work["wal left behind"] += wal_bytes(path) > 0
                verdict = _judged(path, before + told.held)
                tally.add("kill", verdict, f"kill {tally.cuts + 1}")
                before = [each.closed() for each in verdict.held]
    return tally


def _judged(path: Path, promised: list[Held]) -> Verdict:
    try:
        # First as the dashboard sees it, with no writer anywhere and the WAL left
        # behind; then whatever a new writer makes of it.
        lost = missing(path, promised)
        return Verdict(lost=lost) if lost else judge_log(path, promised)
    except (sqlite3.DatabaseError, DamagedRowError, StoreError) as err:
        return Verdict(damage=str(err))
