"""A made-up month fits the limits set in its van file, and keeps what that promises.

The whole year: `python -m tests.bench year`.
"""

import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from logger.core.tick import Cell
from logger.store.charts import envelope
from logger.store.reader import Log, RunRow
from logger.store.starting import limits
from logger.store.writer import Writer
from logger.van.reading import read_van
from tests.year.making import DAY_US, FIRST_DAY_US, Plan, copy_days, make
from tests.year.van import FEW_BOXES

DAYS = 30
PLAN = Plan(FEW_BOXES, drive_s=900, charge_s=900, prototypes=2)
CHANNEL = "pack.power_w"
SIZE_MB = 2.4
"""Less than all of a month takes, and more than its minutes and summaries do."""

Read = Callable[[int, str], Sequence[tuple[int, Cell]]]


def live_through(folder: Path, keep: str) -> tuple[Path, int]:
    """Return a log of thirty days and the most that it ever took on the card, bytes.

    Every evening it is kept within the limits of a van file.
    """
    path, van_file = folder / "van.db", folder / "van.toml"
    days = folder / "days.db"
    van_file.write_text(f'[van]\nname = "Dunlin"\n[keep]\n{keep}', encoding="utf-8")
    keeps = limits(read_van(van_file))
    make(days, PLAN.prototypes, PLAN)
    shutil.copy(days, path)
    most = 0
    for number in range(PLAN.prototypes, DAYS):
        with closing(sqlite3.connect(path, isolation_level=None)) as log:
            log.execute("ATTACH ? AS days", (str(days),))
            copy_days(log, [number], PLAN.prototypes, source="days")
        with Writer(path, limits=keeps) as writer:
            while writer.tidy():
                pass
            assert writer.shortage == ""
        most = max(most, path.stat().st_size)
    return path, most


def ages(log: Log, read: Read) -> list[int]:
    """Return which days still have rows of a kind, counted from the first."""
    return [
        place for place, run in enumerate(log.runs()) if list(read(run.id, CHANNEL))
    ]


def cells(log: Log) -> Read:
    """Return what reads the seconds of a run."""
    return lambda run, channel: list(log.cells(run, channel))


def test_a_month_stays_within_its_size_and_loses_only_old_seconds(
    tmp_path: Path,
) -> None:
    path, most = live_through(tmp_path, f"size_mb = {SIZE_MB}\n")
    assert most <= SIZE_MB * 1e6
    with Log(path) as log:
        kept = ages(log, cells(log))
        assert 0 < len(kept) < DAYS
        assert kept == list(range(DAYS - len(kept), DAYS))  # the youngest
        for read in (log.minutes, log.quarters):
            assert ages(log, read) == list(range(DAYS))
        assert all(log.trips(run.id) and log.totals(run.id) for run in log.runs())


def test_a_month_keeps_each_kind_of_row_for_its_days(tmp_path: Path) -> None:
    keep = "seconds_days = 7\nminutes_days = 20\n"
    path, _ = live_through(tmp_path, keep)
    with Log(path) as log:
        # What ends less than so many days before the newest sample is there.
        assert ages(log, cells(log)) == list(range(DAYS - 8, DAYS))
        assert ages(log, log.minutes) == list(range(DAYS - 21, DAYS))
        assert ages(log, log.quarters) == list(range(DAYS))
        assert whole(log, log.runs()[DAYS - 7]) == PLAN.length_s


def whole(log: Log, run: RunRow) -> int:
    """Return how many seconds a run has."""
    return sum(1 for _ in log.cells(run.id, CHANNEL))


def test_a_chart_of_the_month_looks_the_same_after_keeping(tmp_path: Path) -> None:
    (tmp_path / "all").mkdir()
    (tmp_path / "some").mkdir()
    everything, _ = live_through(tmp_path / "all", "size_mb = 1000\n")
    some, _ = live_through(tmp_path / "some", f"size_mb = {SIZE_MB}\n")
    end_us = FIRST_DAY_US + DAYS * DAY_US
    with Log(everything) as one, Log(some) as other:
        drawn = [
            envelope(log, CHANNEL, FIRST_DAY_US, end_us, 500) for log in (one, other)
        ]
    assert drawn[0] == drawn[1]
    assert sum(value is not None for value in drawn[0].mean) >= DAYS
