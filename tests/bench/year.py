"""A made-up year of sixty channels, and ten: size, charts, the Log, limits.

Its charts are drawn beside the same from plain indexed rows and from a file that only
grows, both of that one channel alone. Takes some minutes and three gigabytes of room in
the folder for temporary files.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from dashboard.history import page_of_trips, units_of
from logger.core.tick import US_PER_S
from logger.store.charts import envelope
from logger.store.reader import Log
from logger.store.starting import limits
from logger.store.writer import Writer
from logger.van.reading import read_van
from tests.bench.live import line, middle
from tests.bench.peers import chart_of_file, chart_of_rows, one_channel
from tests.bench.storage import CHANNEL, POINTS, in_use, table_lines
from tests.year.making import DAY_US, FIRST_DAY_US, Plan, copy_days, make

DAYS = 365
YEARS = 10
OLD = ("quarter", "trip", "run_total", "balance")
"""What a log has of the years before, once seconds and minutes went."""

VALUES_A_S = 46.3
"""Channels in a second of the made-up van, mean over a day."""

PLAN = Plan()
END_US = FIRST_DAY_US + DAYS * DAY_US
DRIVE_US = FIRST_DAY_US + (DAYS - 1) * DAY_US
HOUR_US = 3600 * US_PER_S
SIZE_MB = 1000


def main() -> Iterator[str]:
    """Yield the lines of the report."""
    yield f"{'figure':<44} {'to reach':>12} {'measured':>12}"
    with TemporaryDirectory() as name:
        path = Path(name) / "van.db"
        yield line("making a year", "-", took_s(lambda: make(path, DAYS, PLAN)), "s")
        yield line("a year, without frames", "-", path.stat().st_size / 1e6, "MB")
        values = round(DAYS * PLAN.length_s * VALUES_A_S)
        yield line("a second of a channel", "-", in_use(path) / values, "B/value")
        yield from table_lines(path, values)
        yield from chart_lines(path, "")
        yield from peer_lines(path)
        year_ms = chart_ms(path, DAYS * DAY_US, END_US)
        yield line("a page of the Log, a year", "-", trips_ms(path), "ms")
        older = range(-(YEARS - 1) * DAYS, 0)
        with closing(sqlite3.connect(path, isolation_level=None)) as log:
            copy_days(log, older, PLAN.prototypes, OLD)
        yield from chart_lines(path, " of ten")
        now_ms = chart_ms(path, DAYS * DAY_US, END_US)
        yield line("a year's chart, ten beside one", "<= 1.5", now_ms / year_ms, "")
        all_ms = chart_ms(path, YEARS * DAYS * DAY_US, END_US)
        yield line("chart of ten years", "-", all_ms, "ms")
        yield line("a page of the Log, ten years", "-", trips_ms(path), "ms")
        yield from limit_lines(path)


def took_s(job: Callable[[], object]) -> float:
    """Return how long a job takes, s."""
    start_s = time.perf_counter()
    job()
    return time.perf_counter() - start_s


def chart_lines(path: Path, of: str) -> Iterator[str]:
    """Yield how long charts of one channel take."""
    yield line(
        f"chart of an hour{of}", "-", chart_ms(path, HOUR_US, DRIVE_US + HOUR_US), "ms"
    )
    yield line(f"chart of a day{of}", "-", chart_ms(path, DAY_US, END_US), "ms")
    month_ms = chart_ms(path, 30 * DAY_US, END_US)
    yield line(f"chart of a month{of}", "-", month_ms, "ms")
    year_ms = chart_ms(path, DAYS * DAY_US, END_US)
    yield line(f"chart of a year{of}", "<= 25 ms", year_ms, "ms")


def peer_lines(path: Path) -> Iterator[str]:
    """Yield how long the same charts take from rows and from a growing file."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        with Log(path) as log:
            one_channel(folder, heard(log))
        for what, file, draw in (
            ("indexed rows", folder / "rows.db", chart_of_rows),
            ("growing file", folder / "file", chart_of_file),
        ):
            for length, days in (("day", 1), ("year", DAYS)):
                start_us = END_US - days * DAY_US
                job = partial(draw, file, 0, start_us, END_US, POINTS)
                took_ms = middle([took_s(job) for _ in range(3)]) * 1000.0
                yield line(f"chart of a {length}, {what}", "-", took_ms, "ms")


def heard(log: Log) -> Iterator[tuple[int, float]]:
    """Yield every second of the channel: date in microseconds, newest value."""
    for run in log.runs():
        assert run.start_us is not None
        for index, cell in log.cells(run.id, CHANNEL):
            yield run.start_us + index * US_PER_S, cell.last


def chart_ms(path: Path, length_us: int, end_us: int) -> float:
    """Return how long a chart of 500 points takes, the log opened anew, ms."""

    def draw() -> None:
        with Log(path) as log:
            envelope(log, CHANNEL, end_us - length_us, end_us, POINTS)

    return middle([took_s(draw) for _ in range(9)]) * 1000.0


def trips_ms(path: Path) -> float:
    """Return how long it takes to read what the Log shows, ms."""

    def read() -> None:
        with Log(path) as log:
            page_of_trips(log, units_of(log, None))

    return middle([took_s(read) for _ in range(3)]) * 1000.0


def limit_lines(path: Path) -> Iterator[str]:
    """Yield what is left of it all within a limit of a van file."""
    van = path.with_name("van.toml")
    words = f'[van]\nname = "Dunlin"\n[keep]\nsize_mb = {SIZE_MB}\nseconds_days = 365\n'
    van.write_text(words, encoding="utf-8")
    with Writer(path, limits=limits(read_van(van))) as writer:
        seconds = took_s(lambda: [None for _ in iter(writer.tidy, False)])
    yield line(f"letting go, down to {SIZE_MB} MB", "-", seconds, "s")
    goal = f"<= {SIZE_MB} MB"
    yield line("in use after that", goal, in_use(path) / 1e6, "MB")
    with closing(sqlite3.connect(path)) as log:
        for table, what in (
            ("span", "seconds"),
            ("minute", "minutes"),
            ("quarter", "quarters"),
            ("trip", "trips"),
        ):
            (runs,) = log.execute(
                f"SELECT count(DISTINCT run) FROM {table}"  # noqa: S608 (our own words)
            ).fetchone()
            yield line(f"days that still have {what}", "-", runs, "")
