"""Pages of a log are destroyed under a logger that runs: it goes on in a new file."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from logger.decode.frames import Frame, Line
from logger.store.reader import Log
from logger.store.writer import RunEnd, Writer
from tests.edges.living import Living, lived_s, living
from tests.faults.life import start_of
from tests.faults.recording import made_up

PAGE = 1024
LEAF = 0x0A
"""First byte of a page that holds rows of a table without row numbers.

Source: SQLite, "Database File Format", section 1.6
"""

DESTROYED = 5


def write_some_runs(path: Path) -> None:
    """Write a log of some length."""
    with Writer(path) as writer:
        for number in range(6):
            recording = made_up(number, 150)
            run = writer.begin_run(start_of(number))
            for batch in recording.batches[:-1]:
                writer.store(run, batch)
            writer.end_run(run, RunEnd(recording.end_us), recording.batches[-1])
        while writer.tidy():
            pass  # so that nothing mends the pages by writing them anew


def destroy_pages(path: Path) -> None:
    """Overwrite some pages of old rows with noise, as a dying card does."""
    rng = Random(1)
    content = path.read_bytes()
    leaves = [at for at in range(0, len(content), PAGE) if content[at] == LEAF]
    with path.open("r+b") as file:
        for at in rng.sample(leaves[: len(leaves) // 2], DESTROYED):
            file.seek(at)
            file.write(rng.randbytes(PAGE))


@pytest.fixture
def van(tmp_path: Path) -> Iterator[Living]:
    write_some_runs(tmp_path / "van.db")
    with living(tmp_path) as each:
        yield each


def seconds_of(path: Path) -> dict[str, set[int]]:
    """Return which seconds a log holds, by the identity of their run."""
    with Log(path) as log:
        return {
            run.uid: {tick.index for tick in log.ticks(run.id)} for run in log.runs()
        }


def heard_in(path: Path, uid: str) -> set[int]:
    """Return the seconds of a run in which frames or lines came."""
    with Log(path) as log:
        (run,) = (each.id for each in log.runs() if each.uid == uid)
        items = (each for each in log.raw(run) if isinstance(each, Frame | Line))
        return {item.t_us // 1_000_000 for item in items}


def test_a_damaged_log_is_set_aside_salvaged_and_logged_on(van: Living) -> None:
    path = van.files.log
    van.until(lambda now: lived_s(now) > 5)
    before = seconds_of(path)
    with Log(path) as log:
        uid = log.runs()[-1].uid
    destroy_pages(path)
    told = van.until(lambda now: "damaged" in now.notice)
    # As soon as nothing waits, what can be read of it is brought over.
    van.until(lambda now: "is in this one" in now.notice)
    van.until(lambda now: lived_s(now) > lived_s(told) + 20)
    van.end_logger()
    (aside,) = path.parent.glob("van.damaged-*.db")
    assert aside.name.endswith(".salvaged.db")
    after = seconds_of(path)
    # Of the run under way no second is missing that was heard (on a busy machine the
    # invented van may leave one out); of the old ones some were destroyed.
    assert before[uid] <= after[uid]
    assert heard_in(path, uid) <= after[uid]
    assert max(after[uid]) > lived_s(told)
    old = [(run, second) for run, seconds in before.items() for second in seconds]
    back = [(run, second) for run, second in old if second in after.get(run, ())]
    assert len(back) > len(old) / 2
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
