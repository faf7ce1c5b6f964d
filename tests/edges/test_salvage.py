"""Damaged logs: what their pages still hold is brought over, and nothing is guessed."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.core.rollup import Minute, Quarter
from logger.core.tick import Cell, Tick
from logger.decode.frames import Frame, Raw
from logger.errors import StoreError
from logger.pipeline.spec import Output
from logger.store.reader import Log
from logger.store.recovering import Found, recover
from logger.store.rows import Batch, Event
from logger.store.salvage import salvage
from logger.store.shapes import shape_of
from logger.store.soundness import find_damage
from logger.store.writer import RunEnd, RunStart, Writer
from tests.running import ampledger

START = RunStart(None, None, 1_700_000_000_000_000, True, 0, "test", "[van]", {})
PAGE = 1024
NAMES = ("pack.current_a", "pack.voltage_v", "motor.speed_rpm", "aux.voltage_v")


def drive(seconds: int, seed: int) -> list[Batch]:
    """Return some channels, frames, minutes and quarters, a minute a batch."""
    noise = random.Random(seed)
    batches = []
    for first in range(0, seconds, 60):
        outputs, raw = list[Output](), list[Raw]()
        for index in range(first, first + 60):
            cells = {name: cell(noise.randrange(-900, 900) / 10) for name in NAMES}
            outputs.append(Tick(index, index * 10**6, index * 10**6 + 9, cells))
            data = noise.randbytes(8)
            raw.append(Frame(index * 10**6, index, "drive", 7, True, data))
        sums = {name: Cell(60, 0.0, 1.0, 0.5, 30.0, 6 * 10**7) for name in NAMES}
        outputs.append(Minute(first // 60, sums))
        if first % 900 == 840:
            long = {name: Cell(900, 0.0, 1.0, 0.5, 450.0, 9 * 10**8) for name in NAMES}
            outputs.append(Quarter(first // 900, long))
        batches.append(Batch(outputs, raw, [Event(first, "minute", str(first))]))
    return batches


def cell(value: float) -> Cell:
    """Return what one sample and no interval make."""
    return Cell(1, value, value, value)


def write(path: Path, runs: int, seconds: int, fold: bool = True) -> None:
    """Write a log of some runs."""
    with Writer(path) as writer:
        for seed in range(runs):
            run = writer.begin_run(START)
            for batch in drive(seconds, seed):
                writer.store(run, batch)
            writer.end_run(run, RunEnd(seconds * 10**6))
            while fold and writer.tidy():
                pass


def destroy(path: Path, pages: list[int]) -> None:
    """Overwrite pages with noise."""
    noise = random.Random(7)
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            file.write(noise.randbytes(PAGE))


def salvaged(source: Path, target: Path) -> list[str]:
    """Bring a damaged log over into a new one; return what the steps said."""
    before = {each: each.read_bytes() for each in source.parent.glob(source.name + "*")}
    with Writer(target) as writer:
        told = list(writer.work(lambda connection: salvage(source, connection)))
    after = {each: each.read_bytes() for each in source.parent.glob(source.name + "*")}
    assert after == before, "the damaged log was changed"
    with closing(sqlite3.connect(target)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    return told


def everything(path: Path) -> dict[str, set[object]]:
    """Return the content of a log in pieces that can be counted."""
    with Log(path) as log:
        runs = log.runs()
        return {
            "seconds": {
                (run.uid, tick.index, name, cell)
                for run in runs
                for tick in log.ticks(run.id)
                for name, cell in tick.cells.items()
            },
            "frames": {
                (run.uid, item.seq, item.t_us)
                for run in runs
                for item in log.raw(run.id)
            },
            "minutes": {
                (run.uid, name, index, cell)
                for run in runs
                for name in NAMES
                for index, cell in log.minutes(run.id, name)
            },
            "events": {
                (run.uid, event.text) for run in runs for event in log.events(run.id)
                if event.kind == "minute"
            },
        }  # fmt: skip


def test_a_sound_log_comes_over_whole(tmp_path: Path) -> None:
    write(tmp_path / "old.db", 2, 1800)
    salvaged(tmp_path / "old.db", tmp_path / "new.db")
    assert everything(tmp_path / "new.db") == everything(tmp_path / "old.db")


@pytest.mark.parametrize("fold", [True, False], ids=["folded", "seconds"])
@pytest.mark.parametrize("seed", [1, 2])
def test_twenty_pages_destroyed_cost_what_lay_in_them(
    tmp_path: Path, fold: bool, seed: int
) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    write(old, 2, 5400, fold=fold)
    whole = everything(old)
    count = old.stat().st_size // PAGE
    chosen = random.Random(seed).sample(range(2, count), count // 100)
    copy = tmp_path / "copy.db"
    copy.write_bytes(old.read_bytes())
    destroy(old, chosen)
    assert find_damage(old, lambda: False)
    salvaged(old, new)
    left = everything(new)
    for kind, rows in whole.items():
        assert left[kind] <= rows, kind  # nothing is made up
    shares = {kind: len(left[kind]) / len(rows) for kind, rows in whole.items()}
    # One page in a hundred. A leaf holds the beginnings of at most eight long blocks
    # of frames, and a block of seconds is a quarter of an hour of one channel.
    with closing(sqlite3.connect(copy)) as connection:
        (blocks,) = connection.execute("SELECT count(*) FROM raw_block").fetchone()
    frames = shares.pop("frames")
    assert frames >= 1 - 8 * len(chosen) / blocks
    assert shares["seconds"] >= 0.95, shares
    assert min(shares.values()) >= 0.8, shares


def zero_head(path: Path) -> None:
    """Destroy the head of a file."""
    with path.open("r+b") as file:
        file.write(bytes(100))


def lose_first_page(path: Path) -> None:
    """Destroy the page that says which tables there are."""
    destroy(path, [1])


def test_a_log_whose_head_is_zeroed_loses_nothing(tmp_path: Path) -> None:
    write(tmp_path / "old.db", 2, 1800)
    whole = everything(tmp_path / "old.db")
    zero_head(tmp_path / "old.db")
    salvaged(tmp_path / "old.db", tmp_path / "new.db")
    assert everything(tmp_path / "new.db") == whole


def test_a_log_without_its_first_page_loses_little(tmp_path: Path) -> None:
    write(tmp_path / "old.db", 2, 3600, fold=False)
    whole = everything(tmp_path / "old.db")
    lose_first_page(tmp_path / "old.db")
    salvaged(tmp_path / "old.db", tmp_path / "new.db")
    left = everything(tmp_path / "new.db")
    assert left["seconds"] == whole["seconds"]
    assert left["minutes"] == whole["minutes"]


def test_a_log_cut_to_half_gives_its_half(tmp_path: Path) -> None:
    old = tmp_path / "old.db"
    write(old, 2, 3600)
    whole = everything(old)
    half = old.stat().st_size // PAGE // 2 * PAGE
    with old.open("r+b") as file:
        file.truncate(half)
    salvaged(old, tmp_path / "new.db")
    left = everything(tmp_path / "new.db")
    assert left["seconds"] <= whole["seconds"]
    assert len(left["seconds"]) >= 0.2 * len(whole["seconds"])


def test_what_only_the_wal_holds_comes_over(tmp_path: Path) -> None:
    folder = tmp_path / "killed"
    folder.mkdir()
    path = tmp_path / "van.db"
    write(path, 1, 900)
    with Writer(path) as writer:
        run = writer.begin_run(START)
        for batch in drive(900, 9):
            writer.store(run, batch)
        for each in tmp_path.glob("van.db*"):  # as a kill would leave them
            (folder / each.name).write_bytes(each.read_bytes())
        writer.end_run(run, RunEnd(1))
    whole = everything(path)
    old = folder / "van.db"
    count = old.stat().st_size // PAGE
    destroy(old, [count // 2])
    (folder / "van.db-shm").unlink()
    salvaged(old, tmp_path / "new.db")
    left = everything(tmp_path / "new.db")
    assert len(left["seconds"]) >= 0.9 * len(whole["seconds"])
    uids = {each[0] for each in left["seconds"]}  # type: ignore[index]
    assert len(uids) == 2


def test_runs_whose_rows_are_lost_are_adopted_undated(tmp_path: Path) -> None:
    old = tmp_path / "old.db"
    write(old, 2, 900, fold=False)
    whole = everything(old)
    with closing(sqlite3.connect(old)) as connection:
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'run'"
        ).fetchone()
    destroy(old, [root])
    salvaged(old, tmp_path / "new.db")
    with Log(tmp_path / "new.db") as log:
        runs = log.runs()
        assert [run.start_us for run in runs] == [None, None]
        assert [run.program for run in runs] == ["salvaged"] * 2
        count = sum(len(tick.cells) for run in runs for tick in log.ticks(run.id))
        assert log.van_text(runs[0].id).startswith("[van]")
    assert count == len(whole["seconds"])


def test_nothing_readable_is_told(tmp_path: Path) -> None:
    (tmp_path / "old.db").write_bytes(bytes(8 * PAGE))
    with (
        Writer(tmp_path / "new.db") as writer,
        pytest.raises(StoreError, match="no row"),
    ):
        list(writer.work(lambda c: salvage(tmp_path / "old.db", c)))
    assert not list(tmp_path.glob("*.part"))


def test_salvaging_again_after_a_kill_comes_to_the_same(tmp_path: Path) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    write(old, 2, 1800)
    destroy(old, [old.stat().st_size // PAGE // 2])
    salvaged(old, tmp_path / "once.db")
    steps = len(salvaged(old, tmp_path / "count.db"))
    for stop in range(0, steps, max(1, steps // 6)):
        with Writer(new) as writer:
            work = writer.work(lambda connection: salvage(old, connection))
            for _ in range(stop):
                next(work)
            work.close()  # type: ignore[attr-defined]
    salvaged(old, new)
    assert everything(new) == everything(tmp_path / "once.db")
    (old.with_name("old.db.part")).write_bytes(b"left behind")
    salvaged_again = everything(new)
    with Writer(new) as writer:
        list(writer.work(lambda connection: salvage(old, connection)))
    assert everything(new) == salvaged_again


def test_page_noise_never_raises_anything_of_its_own(tmp_path: Path) -> None:
    write(tmp_path / "old.db", 1, 900)
    whole = (tmp_path / "old.db").read_bytes()
    noise = random.Random(3)
    for number in range(30):
        data = bytearray(whole)
        for _ in range(200):
            data[noise.randrange(len(data))] = noise.randrange(256)
        hurt = tmp_path / f"hurt{number}.db"
        hurt.write_bytes(data)
        found = Found()
        for _ in recover(hurt, tmp_path / "scratch.db", found):
            pass
        assert found.rows
        hurt.unlink()


def test_the_command_joins_a_damaged_log_as_far_as_it_can(tmp_path: Path) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    write(old, 1, 1800)
    page = old.stat().st_size // PAGE // 2
    while not find_damage(old, lambda: False):
        destroy(old, [page])  # a free page would be no damage
        page += 1
    ran = ampledger("join", new, old)
    assert ran.code == 3, ran.err
    assert "1 runs added" in ran.out
    assert "It is damaged" in ran.out
    with Log(new) as log:
        assert log.has_ticks(1)


def test_pages_that_nothing_points_to_can_be_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 1, 1)
    alike: dict[object, set[str]] = {}
    with closing(sqlite3.connect(path)) as log:
        tables = log.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table'"
        ).fetchall()
        for (table,) in tables:
            if not table.startswith("sqlite_"):
                shape = shape_of(log, table)
                kinds = tuple(each.sql_type for each in shape.fields)
                alike.setdefault((shape.has_number, kinds), set()).add(table)
        # A page of an index looks like one of a table without numbers.
        for table, index in log.execute(
            "SELECT tbl_name, name FROM sqlite_schema WHERE type = 'index'"
        ).fetchall():
            types = {each.name: each.sql_type for each in shape_of(log, table).fields}
            columns = log.execute("SELECT name FROM pragma_index_xinfo(?)", (index,))
            kinds = tuple(types.get(name, "INTEGER") for (name,) in columns.fetchall())
            if shape_of(log, table).has_number or table == "run":
                alike.setdefault((False, kinds), set()).add(index)
    # Minutes and quarters are told apart by the time that they cover; a page of gaps or
    # of their limits is left and counted, since the two mean nothing by themselves.
    found = [each for each in alike.values() if len(each) > 1]
    names = {name for (name,) in tables}
    found = [each & names for each in found if each & names]
    assert found == [{"minute", "quarter"}, {"gap", "gap_limit"}]
