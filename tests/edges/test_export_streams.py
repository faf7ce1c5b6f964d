"""A long log is exported in bounded memory, and a live one without holding its WAL."""

import sqlite3
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TextIO

import pytest

from logger.core.rollup import Minute, Quarter
from logger.core.tick import US_PER_S, Cell, Tick
from logger.decode.frames import Frame, Raw
from logger.pipeline.spec import Output
from logger.store.export.can_file import CanLog, write_candump
from logger.store.export.csv_file import write_csv
from logger.store.export.gpx_file import write_gpx
from logger.store.export.making import What, sheet
from logger.store.export.places import places
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import Writer
from tests.edges.export_logs import extract_of, start
from tests.running import COMMAND

CHANNELS = (
    "gps.latitude_deg",
    "gps.longitude_deg",
    "sun.roof.power_w",
    "charger.a.dc_power_w",
    "pack.current_a",
    "pack.soc_pct",
)
QUARTER_S = 900
MOST_GROWTH_BYTES = 2_000_000
"""Six times the log may cost some more: caches, counters, and the noise of both."""


def cells(seconds: int, value: float) -> dict[str, Cell]:
    """Return what every channel did in a stretch of so many seconds."""
    cell = Cell(seconds, value, value, value, value * seconds, seconds * US_PER_S)
    return dict.fromkeys(CHANNELS, cell)


def outputs(quarter: int) -> Iterator[Output]:
    """Yield what the chain gives in a quarter of an hour."""
    for second in range(quarter * QUARTER_S, (quarter + 1) * QUARTER_S):
        t_us = second * US_PER_S
        yield Tick(second, t_us, t_us + 5, cells(1, second % 89 + 0.125))
        if second % 60 == 59:
            yield Minute(second // 60, cells(60, 60.0 + second % 7))
    yield Quarter(quarter, cells(QUARTER_S, 60.0))


def frames(quarter: int) -> list[Raw]:
    """Return four frames a second of a quarter of an hour."""
    first = quarter * QUARTER_S * 4
    return [
        Frame(i * 250_000, i, "drive", i % 2048, False, i.to_bytes(8, "big"))
        for i in range(first, first + QUARTER_S * 4)
    ]


def fill(writer: Writer, quarters: int) -> int:
    """Store a run of so many quarters of an hour that goes on; return its number."""
    run = writer.begin_run(start("2026-06-22T12:00:00"))
    for quarter in range(quarters):
        writer.store(run, Batch(tuple(outputs(quarter)), frames(quarter)))
    return run


class Sink:
    """Takes text, counts it and forgets it."""

    def __init__(self) -> None:
        self.size = 0

    def write(self, text: str) -> int:
        """Count some text."""
        self.size += len(text)
        return len(text)

    def writelines(self, texts: Iterator[str]) -> None:
        """Count some texts."""
        for text in texts:
            self.write(text)

    def flush(self) -> None:
        """Nothing waits here."""


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """Return logs of one, six and twelve quarters of an hour."""
    folder = tmp_path_factory.mktemp("logs")
    paths = {quarters: folder / f"{quarters}.db" for quarters in (1, 6, 12)}
    for quarters, path in paths.items():
        with Writer(path) as writer:
            fill(writer, quarters)
    return paths


def run_through(path: Path, what: What, form: str) -> tuple[int, int]:
    """Return the most memory that an export took, and how much it wrote, in bytes."""
    sink = Sink()
    file: TextIO = sink  # type: ignore[assignment]
    with Log(path) as log:
        extract = extract_of(log, what)
        tracemalloc.start()
        match form:
            case "csv":
                write_csv(sheet(extract, what), file)
            case "gpx":
                write_gpx(places(extract), "test", file)
            case _:
                write_candump(CanLog(extract), file)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    return most, sink.size


@pytest.mark.parametrize(
    ("what", "form"),
    [
        (What.SIGNALS, "csv"),
        (What.FRAMES, "csv"),
        (What.LEDGER, "csv"),
        (What.SUN, "csv"),
        (What.CHARGES, "csv"),
        (What.PLACES, "gpx"),
        (What.FRAMES, "candump"),
    ],
)
def test_six_times_the_log_takes_no_more_memory(
    what: What, form: str, logs: dict[int, Path]
) -> None:
    run_through(logs[1], what, form)  # what is loaded and kept once
    (short, small), (long, large) = (
        run_through(logs[quarters], what, form) for quarters in (1, 6)
    )
    if what in (What.SIGNALS, What.FRAMES, What.PLACES):
        assert large > 5 * small
    assert long < short + MOST_GROWTH_BYTES


def test_parquet_takes_no_more_memory_for_a_longer_log(
    logs: dict[int, Path], tmp_path: Path
) -> None:
    code = (
        "import resource, subprocess, sys\n"
        "subprocess.run(sys.argv[1:], check=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    sizes_kb = []
    for quarters in (1, 12):
        words = (
            COMMAND,
            "export",
            logs[quarters],
            "signals",
            "--output",
            tmp_path / "x.parquet",
        )
        done = subprocess.run(
            [sys.executable, "-c", code, *words],
            capture_output=True,
            text=True,
            check=True,
        )  # fmt: skip
        sizes_kb.append(int(done.stdout))
    # 5,400 rows and 64,800: in groups 19 MB apart, held whole 36 MB (measured).
    assert sizes_kb[1] - sizes_kb[0] < 28_000


@pytest.mark.parametrize("what", What)
def test_an_export_under_way_does_not_hold_the_wal(what: What, tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = fill(writer, 3)
        with Log(path) as log, closing(sqlite3.connect(path)) as other:
            rows = sheet(extract_of(log, what), what).rows
            next(rows, None)
            writer.store(run, Batch(tuple(outputs(3))))
            checkpoint = "PRAGMA wal_checkpoint(TRUNCATE)"
            assert other.execute(checkpoint).fetchone() == (0, 0, 0)
            assert sum(1 for _ in rows) > 0 or what in (
                What.TRIPS,
                What.SUN,
                What.CHARGES,
            )
            # What the check would say of a query that stays open.
            held = log.connection.execute("SELECT tick FROM tick")
            held.fetchone()
            writer.store(run, Batch(tuple(outputs(4))))
            other.execute("PRAGMA busy_timeout = 0")
            assert other.execute(checkpoint).fetchone()[0] == 1
            held.close()
