"""What a log lets go, and in what order; what it never lets go."""

import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from logger.clock import Clock
from logger.core.rollup import Minute, Quarter
from logger.core.tick import Cell, Tick
from logger.decode.frames import Frame, Raw
from logger.pipeline.spec import Remark
from logger.store.keeping import FULL_FRAC, Keeping, Limits
from logger.store.reader import Log
from logger.store.rows import Batch, Event, Pin
from logger.store.starting import limits
from logger.store.writer import RunEnd, RunStart, Writer
from logger.van.reading import read_van

DAY_US = 86_400_000_000
BORN_US = 1_700_000_000_000_000
PLENTY = Limits(10**12, 10**12, 10**17, 10**17, 10**17, None)
START = RunStart(None, None, BORN_US, True, 0, "test", "[van]", {})


def hour(seconds: int = 3600, seed: int = 1) -> Batch:
    """Return an hour of noise: seconds, minutes, quarters and a frame a second."""
    noise = random.Random(seed)
    ticks, raw = [], list[Raw]()
    for second in range(seconds):
        value = noise.random()
        cell = Cell(1, value, value, value, noise.random(), 1_000_000)
        first_us = second * 1_000_000
        ticks.append(Tick(second, first_us, first_us + 9, {"pack.current_a": cell}))
        raw.append(Frame(first_us, second, "drive", 1, False, noise.randbytes(8)))
    cells = {"pack.current_a": Cell(60, 0.0, 1.0, 0.5, 30.0, 60_000_000)}
    minutes = [Minute(index, cells) for index in range(seconds // 60)]
    quarters = [Quarter(index, cells) for index in range(seconds // 900)]
    return Batch([*ticks, *minutes, *quarters], raw)


def write(
    path: Path, *starts: RunStart, keep: Limits = PLENTY, pins: tuple[Pin, ...] = ()
) -> None:
    """Write an hour for each start, in blocks of a minute; let go what is to go."""
    with Writer(path, limits=keep) as writer:
        for number, start in enumerate(starts):
            run = writer.begin_run(start)
            made = hour(seed=number)
            writer.store(run, Batch(made.outputs, pins=pins))
            for first in range(0, 3600, 60):
                writer.store(run, Batch(raw=made.raw[first : first + 60]))
            writer.end_run(run, RunEnd(3_600_000_000))
        tidy(writer)


def tidy(writer: Writer) -> None:
    """Do all that can wait."""
    while writer.tidy():
        pass


def left(path: Path, run: int = 1) -> dict[str, int]:
    """Return how much of a run is left."""
    with Log(path) as log:
        return {
            "frames": sum(1 for _ in log.raw(run)),
            "seconds": sum(1 for _ in log.ticks(run)),
            "minutes": len(log.minutes(run, "pack.current_a")),
            "quarters": len(log.quarters(run, "pack.current_a")),
        }


WHOLE = {"frames": 3600, "seconds": 3600, "minutes": 60, "quarters": 4}


def later(days: float) -> RunStart:
    """Return the start of a run so much later."""
    return replace(START, start_us=BORN_US + int(days * DAY_US))


def shed(path: Path) -> list[tuple[int, str, int]]:
    """Return what the log says that it let go."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT run, what, until_us FROM shed ORDER BY 1, 2")
        return rows.fetchall()


@pytest.fixture
def path(tmp_path: Path) -> Iterator[Path]:
    """Return a log's place; whatever was let go, what is left is sound."""
    yield tmp_path / "van.db"
    with closing(sqlite3.connect(tmp_path / "van.db")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_what_is_within_its_limits_stays(path: Path) -> None:
    write(path, START, later(300))
    assert left(path, 1) == left(path, 2) == WHOLE
    assert shed(path) == []


@pytest.mark.parametrize(
    ("name", "gone"),
    [
        ("frames_us", "frames"),
        ("seconds_us", "seconds"),
        ("minutes_us", "minutes"),
        ("quarters_us", "quarters"),
    ],
)
def test_what_is_too_old_goes_and_nothing_else(
    path: Path, name: str, gone: str
) -> None:
    write(path, START, later(10), keep=replace(PLENTY, **{name: 9 * DAY_US}))
    assert left(path, 1) == WHOLE | {gone: 0}
    assert left(path, 2) == WHOLE
    ((run, what, until_us),) = shed(path)
    assert (run, what) == (1, gone)
    assert until_us >= 3_590_000_000


def test_within_a_long_run_only_the_old_end_goes(path: Path) -> None:
    write(path, START, keep=replace(PLENTY, minutes_us=1_800_000_000,
                                    seconds_us=900_000_000))  # fmt: skip
    assert left(path) == WHOLE | {"minutes": 30, "seconds": 900}
    assert shed(path) == [(1, "minutes", 1_800_000_000), (1, "seconds", 2_700_000_000)]


def test_a_run_of_an_unsure_date_makes_nothing_old(path: Path) -> None:
    wrong = replace(later(36_500), is_start_sure=False)
    write(path, START, wrong, keep=replace(PLENTY, seconds_us=9 * DAY_US))
    assert left(path, 1) == left(path, 2) == WHOLE


def test_a_run_that_woke_up_in_the_wrong_decade_is_not_old(path: Path) -> None:
    wrong = replace(START, start_us=0, is_start_sure=False)
    write(path, START, wrong, later(2), keep=replace(PLENTY, seconds_us=3 * DAY_US))
    assert left(path, 2) == WHOLE


def test_a_recording_that_was_played_in_does_not_age(path: Path) -> None:
    played = replace(START, recording="a.log", recording_sha256="aa", start_us=1)
    write(path, played, START, later(10), keep=replace(PLENTY, seconds_us=9 * DAY_US))
    assert left(path, 1) == WHOLE
    assert left(path, 2)["seconds"] == 0


def test_the_oldest_frames_go_when_there_are_too_many(path: Path) -> None:
    write(path, START, later(1))
    (size,) = one(path, "SELECT sum(length(items)) FROM raw_block")
    write(path, later(2), keep=replace(PLENTY, frames_bytes=size))
    assert left(path, 1)["frames"] < 100
    assert left(path, 2) == left(path, 3) == WHOLE
    (now,) = one(path, "SELECT sum(length(items)) FROM raw_block")
    assert now <= size


def test_a_pinned_stretch_survives_the_ring(path: Path) -> None:
    pin = Pin(1_200_000_000, 1_380_000_000, "the charger stopped")
    write(path, START, pins=(pin,))
    write(path, later(1), keep=replace(PLENTY, frames_bytes=0))
    with Log(path) as log:
        kept = [item.t_us for item in log.raw(1)]
        assert list(log.raw(2)) == []
    assert min(kept) <= pin.start_us
    assert pin.end_us <= max(kept)
    assert len(kept) <= 1800  # the quarters of an hour that it touches
    assert kept == sorted(kept)


def used(path: Path) -> int:
    """Return the bytes in use within a log."""
    with closing(sqlite3.connect(path)) as connection:
        size, count, free = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_size", "page_count", "freelist_count")
        )
    return int(size * (count - free))


def one(path: Path, sql: str) -> tuple[int, ...]:
    """Return the one row of a query."""
    with closing(sqlite3.connect(path)) as connection:
        row = connection.execute(sql).fetchone()
    return tuple(row)


def test_for_want_of_room_frames_go_before_seconds_and_sums_never(path: Path) -> None:
    write(path, START, later(1), later(2))
    whole = used(path)
    with Writer(path, limits=replace(PLENTY, size_bytes=whole)) as writer:
        tidy(writer)
    first = left(path, 1)
    assert first["frames"] < 3600
    assert first | {"frames": 0} == WHOLE | {"frames": 0}
    twin = path.with_name("twin.db")
    keep = replace(PLENTY, frames_bytes=0)
    write(twin, START, later(1), later(2), keep=keep)
    tight = int(used(twin) * 0.9)
    with Writer(path, limits=replace(PLENTY, size_bytes=tight)) as writer:
        tidy(writer)
        assert writer.shortage == ""
    assert used(path) <= tight * FULL_FRAC
    assert left(path, 3) == WHOLE | {"frames": 0}
    assert left(path, 1)["seconds"] < 3600
    with Writer(path, limits=replace(PLENTY, size_bytes=1000)) as writer:
        tidy(writer)
        assert "only sums" in writer.shortage
    for run in (1, 2, 3):
        assert left(path, run) == {
            "frames": 0, "seconds": 0, "minutes": 60, "quarters": 4,
        }  # fmt: skip


def test_the_quarter_under_way_is_never_let_go(path: Path) -> None:
    with Writer(path, limits=replace(PLENTY, size_bytes=1000)) as writer:
        run = writer.begin_run(START)
        writer.store(run, hour(1000))
        tidy(writer)
    assert left(path)["seconds"] == 100


def test_a_log_that_is_written_on_stays_within_its_size(path: Path) -> None:
    size = 600_000

    class Hurried(Clock):
        """Each look at the clock is a minute later than the one before."""

        looks = 0

        def mono_us(self) -> int:
            Hurried.looks += 1
            return Hurried.looks * 60_000_000

    with Writer(
        path, limits=replace(PLENTY, size_bytes=size), clock=Hurried()
    ) as writer:
        for day in range(8):
            run = writer.begin_run(later(day))
            made = hour(seed=day)
            for first in range(0, 3600, 60):
                ticks = made.outputs[first : first + 60]
                writer.store(run, Batch(ticks, made.raw[first : first + 60]))
                tidy(writer)
            writer.end_run(run, RunEnd(3_600_000_000))
            tidy(writer)
            assert path.stat().st_size <= size
    assert left(path, 8)["seconds"] == 3600


def test_runs_that_have_nothing_left_are_asked_only_once(path: Path) -> None:
    runs, quarters = 300, 16
    with Writer(path, limits=PLENTY) as writer:
        for number in range(runs):
            run = writer.begin_run(later(number))
            writer.store(
                run, Batch([Tick(0, 0, 0, {"key.on": Cell(1, 1.0, 1.0, 1.0)})])
            )
            writer.end_run(run, RunEnd(60_000_000))
        run = writer.begin_run(later(runs))
        cells = {"key.on": Cell(1, 1.0, 1.0, 1.0)}
        for quarter in range(quarters):
            second = quarter * 900
            at_us = second * 1_000_000
            writer.store(run, Batch([Tick(second, at_us, at_us, cells)]))
        writer.end_run(run, RunEnd(quarters * 900_000_000))
        tidy(writer)
    asked: list[str] = []
    with closing(sqlite3.connect(path, isolation_level=None)) as log:
        log.set_trace_callback(asked.append)

        def transaction(job: Callable[[], bool]) -> bool:
            return job()

        # No room at all: every second is to go, one quarter of an hour at a time.
        keep = replace(PLENTY, size_bytes=1, seconds_us=5 * DAY_US)
        keeping = Keeping(log, path, keep, transaction)
        portions = sum(1 for _ in keeping.work())
        assert portions >= runs + quarters
        assert log.execute("SELECT count(*) FROM span").fetchone() == (0,)
        assert len(asked) < 30 * (runs + quarters)
        asked.clear()
        list(keeping.work())
        # Once a run for frames, seconds and pinned frames; no more for its age.
        assert len(asked) < 3.5 * runs


def test_the_van_file_says_what_is_kept(tmp_path: Path) -> None:
    van = tmp_path / "van.toml"
    van.write_text(
        "[van]\nname = 'Test'\n[keep]\nsize_mb = 2.5\nframes_mb = 1\n"
        "frames_days = 0.5\nseconds_days = 30\nminutes_days = 60\nquarters_days = 90\n"
    )
    assert limits(read_van(van)) == Limits(
        2_500_000, 1_000_000, DAY_US // 2, 30 * DAY_US, 60 * DAY_US, 90 * DAY_US
    )
    van.write_text("[van]\nname = 'Test'\n")
    assert limits(read_van(van)).quarters_us is None


def test_a_note_pins_the_frames_around_it(path: Path) -> None:
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch([Remark(1_200_000_000, "note", "It smells.")]))
        writer.store(run, Batch(events=[Event(5, "source lost", "port meter")]))
        writer.end_run(run, RunEnd(3_600_000_000))
    # By hand: 20 min less 10 min, and 20 min and 60 s.
    assert one(path, "SELECT start_us, end_us FROM pin") == (600_000_000, 1_260_000_000)
    assert one(path, "SELECT count(*) FROM pin WHERE why = 'note'") == (1,)
