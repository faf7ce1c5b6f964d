"""The daily look after a log: damage is found, copies are made, and the old ones go."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.clock import Clock
from logger.core.tick import Cell, Tick
from logger.daemon.caring import Care, Copies, Told
from logger.errors import StoreError
from logger.store.copying import copies, copy_name, give_up_oldest, make_copy
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.soundness import find_damage
from logger.store.writer import RunEnd, RunStart, Writer
from tests.edges.test_storing import until
from tests.running import ampledger

START = RunStart(None, None, 1_700_000_000_000_000, True, 0, "test", "[van]", {})
DAY_US = 86_400_000_000
PAGE = 1024


def never() -> bool:
    """Return that nothing is stopped."""
    return False


def ticks(first: int, count: int) -> list[Tick]:
    """Return seconds of noise that fill pages."""
    noise = random.Random(first)
    made = []
    for index in range(first, first + count):
        low, high = noise.random(), 1 + noise.random()
        cell = Cell(9, low, high, index / 7, index / 3, 10**6)
        at_us = index * 10**6
        made.append(Tick(index, at_us, at_us, {"pack.current_a": cell}))
    return made


def write(path: Path, count: int = 3000) -> None:
    """Write a log of some hundred pages."""
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch(ticks(0, count)))
        writer.end_run(run, RunEnd(count * 10**6))


def hurt(path: Path) -> None:
    """Overwrite a page in the middle with noise."""
    middle = path.stat().st_size // PAGE // 2
    with path.open("r+b") as file:
        file.seek(middle * PAGE)
        file.write(b"\xa5" * PAGE)


def count(path: Path) -> int:
    """Return how many seconds a log has."""
    with Log(path) as log:
        return sum(1 for run in log.runs() for _ in log.ticks(run.id))


def test_a_sound_log_is_found_sound(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    assert find_damage(tmp_path / "van.db", never) is None


def test_a_page_of_noise_is_found(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    hurt(tmp_path / "van.db")
    assert find_damage(tmp_path / "van.db", never)


def test_a_copy_is_whole_though_the_log_is_written_meanwhile(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    with Writer(path) as writer:
        run = writer.begin_run(START)
        looks = 0

        def write_on() -> bool:
            nonlocal looks
            looks += 1
            writer.store(run, Batch(ticks(looks, 1)))
            return False

        made = make_copy(path, tmp_path, DAY_US, write_on)
    assert made == tmp_path / "van-1970-01-02.db"
    assert looks >= 1
    assert count(made) == 3000
    with closing(sqlite3.connect(made)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert not list(tmp_path.glob("*.part"))


def test_a_copy_that_is_stopped_leaves_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    made = make_copy(path, tmp_path, DAY_US, never)
    assert made is not None
    before = made.read_bytes()
    assert make_copy(path, tmp_path, DAY_US, lambda: True) is None
    assert made.read_bytes() == before
    assert not list(tmp_path.glob("*.part"))


def test_what_a_power_cut_left_of_a_copy_is_in_nobodys_way(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    (tmp_path / "van-1970-01-02.db.part").write_bytes(b"half a copy")
    made = make_copy(path, tmp_path, DAY_US, never)
    assert made is not None
    assert count(made) == 3000


def test_no_copy_is_made_of_a_damaged_log(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    made = make_copy(path, tmp_path, DAY_US, never)
    assert made is not None
    before = made.read_bytes()
    hurt(path)
    with pytest.raises(StoreError):
        make_copy(path, tmp_path, DAY_US, never)
    assert made.read_bytes() == before


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    with pytest.raises(StoreError, match="folder for copies"):
        make_copy(tmp_path / "van.db", tmp_path / "no", DAY_US, never)


def test_the_oldest_copies_go_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    for day in range(5):
        make_copy(path, tmp_path, day * DAY_US, never)
    (tmp_path / "van-1969-01-01.db").write_text("not a copy, but named like one")
    (tmp_path / "other-1970-01-01.db").write_bytes(path.read_bytes())
    gone = give_up_oldest(path, tmp_path, keep=2)
    assert [each.name for each in gone] == [
        copy_name(path, d * DAY_US) for d in range(3)
    ]
    assert [each.name for each in copies(path, tmp_path)] == [
        "van-1969-01-01.db", "van-1970-01-04.db", "van-1970-01-05.db",
    ]  # fmt: skip
    assert (tmp_path / "other-1970-01-01.db").exists()


class Found:
    """Who is told; keeps what it was told."""

    def __init__(self, is_sure: bool = True) -> None:
        self.damage: list[str] = []
        self.remarks: list[str] = []
        self.day = 0
        self.is_sure = is_sure

    def told(self) -> Told:
        """Return where findings go."""
        return Told(self.damage.append, self.remarks.append, self.date)

    def date(self) -> tuple[int, bool]:
        """Return a date, a day later each time."""
        self.day += 1
        return self.day * DAY_US, self.is_sure


def looked(path: Path, keep: Copies, found: Found, times: int = 1) -> None:
    """Look after a log so many times."""
    care = Care(path, Clock(), keep, found.told())
    for _ in range(times):
        care.look()
    care.stop()


def test_damage_is_told_and_a_damaged_log_is_not_copied(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    hurt(tmp_path / "van.db")
    found = Found()
    looked(tmp_path / "van.db", Copies(3, tmp_path), found)
    assert len(found.damage) == 1
    assert copies(tmp_path / "van.db", tmp_path) == []


def test_as_many_copies_are_kept_as_are_asked_for(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    found = Found()
    looked(tmp_path / "van.db", Copies(2, tmp_path), found, times=4)
    names = [each.name for each in copies(tmp_path / "van.db", tmp_path)]
    assert names == ["van-1970-01-04.db", "van-1970-01-05.db"]
    assert found.damage == []


def test_no_copy_goes_by_a_date_that_is_not_confirmed(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    looked(tmp_path / "van.db", Copies(1, tmp_path), Found(is_sure=False), times=3)
    assert len(copies(tmp_path / "van.db", tmp_path)) == 3


def test_a_copy_that_fails_is_told_and_taken_back(tmp_path: Path) -> None:
    write(tmp_path / "van.db")
    folder, found = tmp_path / "other card", Found()
    looked(tmp_path / "van.db", Copies(1, folder), found)
    assert "No copy of the log was made today" in found.remarks[-1]
    folder.mkdir()
    looked(tmp_path / "van.db", Copies(1, folder), found)
    assert found.remarks[-1] == ""


def test_without_a_log_nothing_is_found(tmp_path: Path) -> None:
    found = Found()
    looked(tmp_path / "van.db", Copies(1, tmp_path), found)
    assert found.damage == found.remarks == []


def test_the_first_look_comes_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.daemon.caring.FIRST_S", 0.01)
    write(tmp_path / "van.db")
    hurt(tmp_path / "van.db")
    found = Found()
    care = Care(tmp_path / "van.db", Clock(), Copies(0, tmp_path), found.told())
    until(lambda: bool(found.damage))
    care.stop()


def test_a_copy_is_put_back_and_the_log_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 100)
    copy = make_copy(path, tmp_path, DAY_US, never)
    assert copy is not None
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch(ticks(0, 7)))
    later = path.read_bytes()
    ran = ampledger("restore", path, copy)
    assert ran.code == 0, ran.err
    assert count(path) == 100
    (aside,) = tmp_path.glob("van.replaced-*.db")
    assert aside.read_bytes() == later
    assert f"ampledger join {path} {aside}" in ran.out
    assert count(copy) == 100


def test_a_copy_replaces_a_log_that_nothing_can_be_read_of(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 100)
    copy = make_copy(path, tmp_path, DAY_US, never)
    assert copy is not None
    path.write_bytes(bytes(path.stat().st_size))
    (tmp_path / "van.db.part").write_bytes(b"left by a power cut")
    assert ampledger("restore", path, copy).code == 0
    assert count(path) == 100
    assert len(list(tmp_path.glob("van.replaced-*.db"))) == 1
    assert not (tmp_path / "van.db.part").exists()


def test_a_log_that_is_gone_is_put_back(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 100)
    copy = make_copy(path, tmp_path, DAY_US, never)
    assert copy is not None
    path.unlink()
    assert ampledger("restore", path, copy).code == 0
    assert count(path) == 100


def test_a_damaged_copy_is_refused_and_the_log_stays(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path)
    copy = make_copy(path, tmp_path, DAY_US, never)
    assert copy is not None
    hurt(copy)
    before = path.read_bytes()
    ran = ampledger("restore", path, copy)
    assert ran.code == 1
    assert "this one is damaged" in ran.err or "log is damaged" in ran.err
    assert path.read_bytes() == before


def test_a_log_that_is_being_written_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 100)
    copy = make_copy(path, tmp_path, DAY_US, never)
    assert copy is not None
    with Writer(path):
        ran = ampledger("restore", path, copy)
    assert ran.code == 1
    assert "another process that writes it" in ran.err
    assert count(path) == 100


def test_the_copy_of_another_van_is_refused(tmp_path: Path) -> None:
    for name in ("van", "other"):
        write(tmp_path / f"{name}.db", 10)
    ran = ampledger("restore", tmp_path / "van.db", tmp_path / "other.db")
    assert ran.code == 1
    assert "another van" in ran.err


def test_the_copies_there_are_can_be_listed(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write(path, 100)
    assert "There is no copy" in ampledger("restore", path).out
    make_copy(path, tmp_path, DAY_US, never)
    ran = ampledger("restore", path)
    assert ran.code == 0
    # By hand: 1,700,000,000 s are 2023-11-14T22:13:20Z, and the run lasted 100 s.
    assert "van-1970-01-02.db: 1 runs, the newest second 2023-11-14T22:15:00" in ran.out
