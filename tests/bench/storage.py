"""What the log costs on a card, beside plain indexed rows and a file that only grows.

All in one run, on the made-up van: bytes a stored second of a channel, bytes written to
the card, and how fast. A figure "beside" another is the other divided by ours.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import apsw

from logger.clock import Clock
from logger.core.tick import US_PER_S, Tick
from logger.store.charts import envelope
from logger.store.connect import Connect, connect_for_writing
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.writer import RunEnd, Writer
from tests.bench.counted import Counted
from tests.bench.live import line, middle
from tests.bench.peers import (
    chart_of_file,
    chart_of_rows,
    growing_file,
    indexed_rows,
    whole_rows,
)
from tests.year.making import FIRST_DAY_US, Booked, Plan, run_start
from tests.year.van import Second

SPAN_S = 3600
"""How much is written: half on the road, half at the charger."""

DAY_S = 86_400
DAY_ON_S = 9 * 3600
"""How long the computer of the made-up van is on a day."""

HURRIED_S = 600
"""How much is written to see how fast it goes."""

CHANNEL = "pack.power_w"
POINTS = 500

PLAN = Plan(drive_s=SPAN_S // 2, charge_s=SPAN_S // 2)


@dataclass(frozen=True, slots=True)
class Cost:
    """What a stretch came to.

    Attributes:
        values: Seconds of channels in it.
        size: Bytes in use in the file at the end, its WAL taken in; pages that were
            let go are written to again.
        written: Bytes handed to the disk, all told.
        seconds: Real time that storing took, without making it up.
    """

    values: int
    size: int
    written: int
    seconds: float

    @property
    def bytes_a_value(self) -> float:
        """Bytes of the file a second of a channel."""
        return self.size / self.values

    def gb(self, length_s: int, of_s: int) -> float:
        """Return what a day writes, GB.

        Args:
            length_s: How long it lasts, s.
            of_s: How long the stretch was, s.
        """
        return self.written / of_s * length_s / 1e9


def main() -> Iterator[str]:
    """Yield the lines of the report."""
    yield f"{'figure':<44} {'to reach':>12} {'measured':>12}"
    made = list(PLAN.seconds(0))
    with TemporaryDirectory() as name:
        yield from cost_lines(Path(name), made)
        yield from rate_lines(Path(name), made[:HURRIED_S])


def cost_lines(folder: Path, made: Sequence[Second]) -> Iterator[str]:
    """Yield bytes a value, and bytes written."""
    counted = Counted()
    ours = log_cost(folder / "plain.db", made, has_frames=False, counted=counted)
    whole = log_cost(folder / "whole.db", made, has_frames=True, counted=Counted())
    rows = rows_cost(folder / "rows.db", made, Counted())
    with whole_rows(folder / "six.db", connect_for_writing) as peer:
        stored_by(peer.store, made)
    six = in_use(folder / "six.db") / values_in(made)
    samples = sum(cell.n for each in made for cell in each.tick.cells.values())
    file = file_cost(folder / "file", made)
    yield line("channels in a second, mean", "-", ours.values / len(made), "")
    yield line("frames a second, mean", "-", _frames(made) / len(made), "")
    yield line("log with roll-ups, no frames", "-", ours.bytes_a_value, "B/value")
    yield line("log with frames too", "-", whole.bytes_a_value, "B/value")
    yield line("plain indexed rows, one value", "-", rows.bytes_a_value, "B/value")
    yield line("plain indexed rows, all six values", "-", six, "B/value")
    yield line("log beside each sample heard", "-", ours.size / samples, "B/sample")
    yield line("growing file", "-", file.bytes_a_value, "B/value")
    beside = rows.bytes_a_value / ours.bytes_a_value
    yield line("rows of one value beside the log, size", ">= 20", beside, "times")
    beside = six / ours.bytes_a_value
    yield line("rows of all six beside the log, size", ">= 20", beside, "times")
    beside = file.bytes_a_value / ours.bytes_a_value
    yield line("growing file beside the log, size", "-", beside, "times")
    for what, cost in (
        ("log, no frames", ours),
        ("log with frames", whole),
        ("indexed rows", rows),
        ("growing file", file),
    ):
        goal = "<= 1 GB" if cost in (ours, whole) else "-"
        day_gb = cost.gb(DAY_S, len(made))
        yield line(f"written in 24 h, {what}", goal, day_gb, "GB")
        yield line(
            f"written in a day of 9 h, {what}", "-", cost.gb(DAY_ON_S, len(made)), "GB"
        )
    yield line(
        "indexed rows beside the log, written",
        ">= 25",
        rows.written / ours.written,
        "times",
    )
    share = counted.written["WAL"] / max(1, counted.total) * 100.0
    yield line("of what the log writes, to the WAL", "-", share, "%")
    yield from table_lines(folder / "whole.db", whole.values)
    yield from chart_lines(folder, made)


def chart_lines(folder: Path, made: Sequence[Second]) -> Iterator[str]:
    """Yield how long a chart of the hour takes; `bench year` has the longer ones."""
    number = list({name: 0 for each in made for name in each.tick.cells}).index(CHANNEL)
    start_us = FIRST_DAY_US

    def ours() -> None:
        with Log(folder / "plain.db") as log:
            envelope(log, CHANNEL, start_us, start_us + SPAN_S * US_PER_S, POINTS)

    # The peers count from the start of the run.
    length_us = SPAN_S * US_PER_S

    def rows() -> None:
        chart_of_rows(folder / "rows.db", number, 0, length_us, POINTS)

    def file() -> None:
        chart_of_file(folder / "file", number, 0, length_us, POINTS)

    for what, draw in (("log", ours), ("indexed rows", rows), ("growing file", file)):
        took_ms = middle([_took_s(draw) for _ in range(5)]) * 1000.0
        yield line(f"chart of an hour, {what}", "-", took_ms, "ms")


def _took_s(job: Callable[[], None]) -> float:
    start_s = time.perf_counter()
    job()
    return time.perf_counter() - start_s


def _frames(made: Sequence[Second]) -> int:
    return sum(len(second.frames) for second in made)


def table_lines(path: Path, values: int) -> Iterator[str]:
    """Yield what each table of a log takes up."""
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    found = connection.execute(
        "SELECT tbl_name, sum(pgsize), sum(payload) FROM dbstat"
        " JOIN sqlite_schema USING (name) GROUP BY tbl_name ORDER BY 2 DESC LIMIT 5"
    ).fetchall()
    connection.close()
    rows: list[tuple[str, int, int]] = [
        (str(name), int(str(size)), int(str(payload))) for name, size, payload in found
    ]
    for name, size, payload in rows:
        share = payload / size * 100.0
        what = f"  table {name} ({share:.0f} % of it filled)"
        yield line(what, "-", size / values, "B/value")


def log_cost(
    path: Path, made: Sequence[Second], has_frames: bool, counted: Counted
) -> Cost:
    """Return what the log costs, folding and merging included."""
    seconds = 0.0
    with Writer(path, connect=counted.connect, clock=Clock()) as writer:
        run = writer.begin_run(run_start(0))
        booked = Booked.new()
        start = counted.total
        for second in made:
            raw = second.frames if has_frames else ()
            batch = Batch(outputs=booked.outputs(second), raw=raw)
            start_s = time.perf_counter()
            stored(writer, run, batch)
            seconds += time.perf_counter() - start_s
        end_us = made[-1].tick.last_us
        last = [*booked.finish(), booked.balance(end_us)]
        writer.end_run(run, RunEnd(end_us), Batch(outputs=last))
        while writer.tidy():
            pass
    written = counted.total - start
    return Cost(values_in(made), in_use(path), written, seconds)


def in_use(path: Path) -> int:
    """Return the bytes of a database without the pages that were let go."""
    with closing(sqlite3.connect(path)) as connection:
        size, pages, free = (
            int(connection.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_size", "page_count", "freelist_count")
        )
    return size * (pages - free)


def stored(writer: Writer, run: int, batch: Batch) -> None:
    """Store a batch and do what can wait, as the logger does it between two batches."""
    writer.store(run, batch)
    while writer.tidy():
        pass


def rows_cost(path: Path, made: Sequence[Second], counted: Counted) -> Cost:
    """Return what plain indexed rows cost."""
    with indexed_rows(path, counted.connect) as rows:
        seconds = stored_by(rows.store, made)
    return Cost(values_in(made), in_use(path), counted.total, seconds)


def file_cost(path: Path, made: Sequence[Second]) -> Cost:
    """Return what a file of records costs; what it is given is what it writes."""
    with growing_file(path) as file:
        seconds = stored_by(file.store, made)
    size = path.stat().st_size
    return Cost(values_in(made), size, size, seconds)


def stored_by(store: Callable[[Tick], None], made: Sequence[Second]) -> float:
    """Store all seconds; return the real time that took, s."""
    start_s = time.perf_counter()
    for second in made:
        store(second.tick)
    return time.perf_counter() - start_s


def values_in(made: Sequence[Second]) -> int:
    """Return how many seconds of channels there are."""
    return sum(len(second.tick.cells) for second in made)


def rate_lines(folder: Path, made: Sequence[Second]) -> Iterator[str]:
    """Yield how many values are stored a second of real time."""
    ours = hurried_log(folder / "hurried.db", made, connect_for_writing)
    with indexed_rows(folder / "hurried-rows.db", connect_for_writing) as rows:
        rows_s = stored_by(rows.store, made)
    with growing_file(folder / "hurried-file") as file:
        file_s = stored_by(file.store, made)
    values = values_in(made)
    yield line("log, stored and folded", "-", values / ours, "values/s")
    yield line("indexed rows", "-", values / rows_s, "values/s")
    yield line("growing file", "-", values / file_s, "values/s")


def hurried_log(path: Path, made: Sequence[Second], connect: Connect) -> float:
    """Return the real time that storing and folding takes, s."""
    with Writer(path, connect=connect, clock=Clock()) as writer:
        run = writer.begin_run(run_start(0))
        booked = Booked.new()
        batches = [
            Batch(outputs=booked.outputs(second), raw=second.frames) for second in made
        ]
        start_s = time.perf_counter()
        for batch in batches:
            stored(writer, run, batch)
        writer.end_run(run, RunEnd(made[-1].tick.last_us))
        while writer.tidy():
            pass
        return time.perf_counter() - start_s
