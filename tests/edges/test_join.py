"""Two logs of one van become one: nothing is taken away, nothing comes twice."""

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.ledger import Total
from logger.core.rollup import Minute, Quarter
from logger.core.soc import Count
from logger.core.tick import Cell, Tick
from logger.core.trips import Trip
from logger.decode.frames import Frame, Raw
from logger.pipeline.spec import Balance
from logger.store.connect import Connection
from logger.store.joining import Joined, join
from logger.store.reader import Log
from logger.store.rows import Batch, Event, Pin
from logger.store.sources import LogSource
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import LAW
from tests.faults.old_logs import write_old_log
from tests.running import ampledger

BORN_US = 1_700_000_000_000_000
START = RunStart(None, None, BORN_US, True, 0, "test", "[van]\nname = 'T'\n", {})
LENGTH = 1000
NAMES = ("pack.current_a", "key.on")


def second(index: int) -> tuple[Tick, Raw]:
    """Return a second of a run and its frame."""
    value = (index * 37 % 101) / 10
    cells = {"pack.current_a": Cell(1, value, value, value)}
    if index % 3 == 0:
        cells["key.on"] = Cell(1, 1.0, 1.0, 1.0)
    at_us = index * 10**6
    return Tick(index, at_us, at_us, cells), Frame(
        at_us, index, "drive", 5, False, index.to_bytes(4, "big")
    )


def balance(upto: int) -> Balance:
    """Return the balance of a run up to a second."""
    return Balance(
        upto * 10**6,
        {"pack.current_a": Total(float(upto), upto * 10**6, 0)},
        Count(80.0 - upto / 100, -upto / 100, 5.0, float(upto), 0.0),
        4.0,
        (),
        0,
    )


TRIP = Trip(0, 60_000_000, 0, 100.0, 9.0, 1.0, -0.5, None, None, 80.0, 79.5,
            70.0, 88.0, -0.5)  # fmt: skip


def stretches(seconds: list[int]) -> list[list[int]]:
    """Return seconds cut at holes and at every hundred: what is stored at once."""
    cut: list[list[int]] = []
    for index in seconds:
        if not cut or index != cut[-1][-1] + 1 or len(cut[-1]) == 100:
            cut.append([])
        cut[-1].append(index)
    return cut


def write(
    path: Path, start: RunStart, seconds: list[int], is_ended: bool, fold: bool = False
) -> None:
    """Write some seconds of a run, with what goes with them."""
    with Writer(path) as writer:
        run = writer.begin_run(start)
        for stretch in stretches(seconds):
            part = [second(index) for index in stretch]
            ticks, raw = [tick for tick, _ in part], [item for _, item in part]
            events = [Event(ticks[0].first_us, "second", str(ticks[0].index))]
            writer.store(run, Batch(ticks, raw, events))
        sums = {name: Cell(60, 0.0, 9.0, 5.0, 60.0, 60_000_000) for name in NAMES}
        upto = max(seconds, default=0)
        rolled = [Minute(index, sums) for index in range(upto // 60)]
        longer = [Quarter(index, sums) for index in range(upto // 900)]
        pins = [Pin(0, 5, "note")]
        writer.store(run, Batch([*rolled, *longer, TRIP, balance(upto)], pins=pins))
        if is_ended:
            writer.end_run(run, RunEnd(upto * 10**6))
        while fold and writer.tidy():
            pass


def bring(source: Path, connection: Connection, told: Joined) -> Iterator[str]:
    """Join a log; it is opened by the thread that reads it."""
    with Log(source) as log:
        yield from join(LogSource(log), connection, told)


def joined(target: Path, source: Path) -> Joined:
    """Join a log into another one."""
    told = Joined()
    with Writer(target) as writer:
        for _ in writer.work(lambda connection: bring(source, connection, told)):
            pass
    with closing(sqlite3.connect(target)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    return told


def content(path: Path) -> object:
    """Return all that a log holds, by the identities of its runs."""
    with Log(path) as log:
        return {
            run.uid: (
                run.start_us, run.end_us, run.balance_us, run.count,
                list(log.ticks(run.id)), list(log.raw(run.id)), log.trips(run.id),
                log.totals(run.id),
                [log.minutes(run.id, name) for name in NAMES],
                [log.quarters(run.id, name) for name in NAMES],
                sorted(
                    (e.t_us, e.kind, e.text) for e in log.events(run.id)
                    if e.kind != "joined"
                ),
                log.van_text(run.id),
            )
            for run in log.runs()
        }  # fmt: skip


ONE = replace(START, uid="1" * 32)
OTHER = replace(START, uid="2" * 32, start_us=BORN_US + 86_400_000_000)


def test_a_run_that_is_lacking_comes_over_whole(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, ONE, list(range(LENGTH)), True, fold=True)
    write(b, OTHER, list(range(LENGTH)), True)
    before = b.read_bytes()
    told = joined(a, b)
    assert (told.added, told.united, told.is_between) == (1, 0, False)
    assert b.read_bytes() == before
    assert content(a) == {**content(a), **content(b)}  # type: ignore[dict-item]
    with Log(a) as log:
        assert [run.uid for run in log.runs()] == [ONE.uid, OTHER.uid]
        assert ("joined",) in {(event.kind,) for event in log.events(2)}


def test_either_way_gives_the_same_and_again_gives_no_more(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, ONE, list(range(LENGTH)), True)
    write(b, OTHER, list(range(950)), True, fold=True)
    twin = tmp_path / "twin.db"
    twin.write_bytes(b.read_bytes())
    joined(b, a)
    joined(a, twin)
    assert content(a) == content(b)
    again = joined(a, twin)
    assert (again.added, again.united, again.seconds) == (0, 1, 0)
    assert content(a) == content(b)


@settings(LAW, max_examples=20)
@given(
    st.lists(st.booleans(), min_size=40, max_size=40),
    st.lists(st.booleans(), min_size=40, max_size=40),
    st.booleans(),
    st.booleans(),
)
def test_a_run_parted_in_two_files_is_united(
    ours: list[bool], theirs: list[bool], fold_a: bool, fold_b: bool
) -> None:
    # Stretches of 25 s; what neither got is in neither, what both got is the same.
    def chosen(flags: list[bool]) -> list[int]:
        return [i for i in range(LENGTH) if flags[i // 25] or i in (0, LENGTH - 1)]

    with TemporaryDirectory() as name:
        a, b, whole = (Path(name) / f"{each}.db" for each in ("a", "b", "whole"))
        write(a, ONE, chosen(ours), True, fold=fold_a)
        write(b, ONE, chosen(theirs), True, fold=fold_b)
        both = [x or y for x, y in zip(ours, theirs, strict=True)]
        write(whole, ONE, chosen(both), True)
        told = joined(a, b)
        assert (told.added, told.united) == (0, 1)
        with Log(a) as log, Log(whole) as want:
            assert list(log.ticks(1)) == list(want.ticks(1))
            assert list(log.raw(1)) == list(want.raw(1))
            assert log.trips(1) == want.trips(1)
            assert log.totals(1) == want.totals(1)
        with Writer(a) as writer:
            while writer.tidy():
                pass
        with Log(a) as log, Log(whole) as want:
            assert list(log.ticks(1)) == list(want.ticks(1))


POWER, IN, OUT = (f"pack.{name}power_w" for name in ("", "charging_", "discharging_"))


def write_powers(path: Path) -> None:
    """Write a folded quarter of power, and of what it was split into."""
    with Writer(path) as writer:
        run = writer.begin_run(replace(START, uid="5" * 32))
        ticks = []
        for index in range(60):
            power = (index * 37 % 101) - 50.5
            cells = {
                name: Cell(1, value, value, value)
                for name, value in (
                    (POWER, power), (IN, max(0.0, power)), (OUT, max(0.0, -power))
                )
            }  # fmt: skip
            ticks.append(Tick(index, index * 10**6, index * 10**6, cells))
        writer.store(run, Batch(ticks))
        writer.end_run(run, RunEnd(60 * 10**6))
        while writer.tidy():
            pass


def heard(path: Path) -> dict[str, int]:
    """Return how many seconds of each channel a log can tell."""
    with Log(path) as log:
        (run,) = log.runs()
        found = dict.fromkeys((POWER, IN, OUT), 0)
        for tick in log.ticks(run.id):
            for name in tick.cells:
                found[name] += 1
        for name in found:
            assert len(list(log.cells(run.id, name))) == found[name]
    return found


@pytest.mark.parametrize("is_lost", [True, False])
def test_a_block_without_the_one_that_it_is_told_from_stays_behind(
    tmp_path: Path, is_lost: bool
) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write_powers(a)
    assert heard(a) == {POWER: 60, IN: 60, OUT: 60}
    with closing(sqlite3.connect(a)) as log:
        told = "trigger = (SELECT id FROM channel WHERE name = 'pack.power_w')"
        rows = log.execute(f"SELECT 1 FROM block WHERE {told}").fetchall()  # noqa: S608
        assert len(rows) == 2
        if is_lost:
            log.execute("DELETE FROM block WHERE trigger IS NULL")
        else:
            log.execute("UPDATE block SET cells = x'00' WHERE trigger IS NULL")
        log.commit()
    told_of = joined(b, a)
    assert told_of.damaged == {"block": 2 if is_lost else 3}
    assert heard(b) == {POWER: 0, IN: 0, OUT: 0}
    # A sound copy fills up what is lacking.
    whole = tmp_path / "whole.db"
    write_powers(whole)
    joined(b, whole)
    assert heard(b) == {POWER: 60, IN: 60, OUT: 60}


def test_a_block_stays_behind_where_the_name_of_its_leader_is_lost(
    tmp_path: Path,
) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write_powers(a)
    with closing(sqlite3.connect(a)) as log:
        log.execute("DELETE FROM channel WHERE name = ?", (POWER,))
        log.commit()
    assert joined(b, a).damaged == {"block": 2}
    assert heard(b) == {POWER: 0, IN: 0, OUT: 0}


def test_a_block_is_not_united_with_a_corrected_one(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write_powers(a)
    write_powers(b)
    # What others are told from was corrected there, and one of these was lost.
    with closing(sqlite3.connect(b)) as log:
        number = "(SELECT id FROM channel WHERE name = ?)"
        changed = zlib.compress(
            zlib.decompress(
                log.execute(
                    f"SELECT cells FROM block WHERE channel = {number}",  # noqa: S608
                    (POWER,),
                ).fetchone()[0]
            ),
            1,
        )
        sql = f"UPDATE block SET cells = ? WHERE channel = {number}"  # noqa: S608
        log.execute(sql, (changed, POWER))
        log.execute(f"DELETE FROM block WHERE channel <> {number}", (POWER,))  # noqa: S608
        log.commit()
    assert joined(b, a).damaged == {"block": 2}
    assert heard(b) == {POWER: 60, IN: 0, OUT: 0}


def test_the_copy_that_goes_further_tells_the_sums(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, ONE, list(range(500)), False)
    write(b, ONE, list(range(LENGTH)), True)
    twin = tmp_path / "twin.db"
    twin.write_bytes(a.read_bytes())
    joined(a, b)
    joined(b, twin)
    assert content(a) == content(b)
    with Log(a) as log:
        (run,) = log.runs()
    assert run.end_us == (LENGTH - 1) * 10**6
    assert run.balance_us == (LENGTH - 1) * 10**6


def test_the_surer_date_wins(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, replace(ONE, start_us=5, is_start_sure=False), [0, 1], True)
    write(b, replace(ONE, dated_by="network"), [0, 1], True)
    joined(a, b)
    with Log(a) as log:
        (run,) = log.runs()
    assert (run.start_us, run.is_start_sure, run.dated_by) == (BORN_US, True, "network")


def test_a_kill_at_any_step_is_made_good_by_joining_again(tmp_path: Path) -> None:
    a, b, once = (tmp_path / f"{name}.db" for name in ("a", "b", "once"))
    write(a, ONE, list(range(0, LENGTH, 2)), True)
    write(b, ONE, list(range(LENGTH)), True, fold=True)
    write(b, OTHER, list(range(700)), True)
    start = a.read_bytes()
    once.write_bytes(start)
    joined(once, b)
    want, step = content(once), 0
    while True:
        a.write_bytes(start)
        with Writer(a) as writer:
            work = writer.work(lambda connection: bring(b, connection, Joined()))
            told = [each for _, each in zip(range(step), work, strict=False)]
            work.close()  # type: ignore[attr-defined]
        joined(a, b)
        assert content(a) == want, step
        if len(told) < step:
            break
        step += 7


def test_the_command_joins_and_says_what_came(tmp_path: Path) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, replace(OTHER, van_id="dunlin"), list(range(100)), True)
    write(b, replace(ONE, van_id="dunlin"), list(range(100)), True)
    ran = ampledger("join", a, b)
    assert ran.code == 0, ran.err
    assert "1 runs added, 0 united, 100 seconds added" in ran.out
    # It lies before the one that was there, whose count was carried without it.
    assert f"ampledger recompute {a}" in ran.out
    with Log(a) as log:
        assert [run.uid for run in log.runs()] == [ONE.uid, OTHER.uid]


def test_the_log_of_another_van_is_refused_unless_it_is_said_to_be_the_same(
    tmp_path: Path,
) -> None:
    a, b = tmp_path / "a.db", tmp_path / "b.db"
    write(a, ONE, [0], True)
    write(b, OTHER, [0], True)  # each log made up an identity of its own
    before = a.read_bytes()
    ran = ampledger("join", a, b)
    assert ran.code == 1
    assert "--same-van" in ran.err
    assert a.read_bytes() == before
    assert ampledger("join", "--same-van", a, b).code == 0
    # From now on they are known as one van's.
    assert ampledger("join", a, b).code in (0, 1)
    with Log(a) as log:
        assert len(log.runs()) == 2


def test_a_log_is_not_joined_with_itself(tmp_path: Path) -> None:
    write(tmp_path / "a.db", ONE, [0], True)
    ran = ampledger("join", tmp_path / "a.db", tmp_path / "a.db")
    assert ran.code == 2
    assert "the log itself" in ran.err


def test_a_log_that_is_being_written_takes_nothing(tmp_path: Path) -> None:
    write(tmp_path / "a.db", ONE, [0], True)
    write(tmp_path / "b.db", OTHER, [0], True)
    with Writer(tmp_path / "a.db"):
        ran = ampledger("join", "--same-van", tmp_path / "a.db", tmp_path / "b.db")
    assert ran.code == 1
    assert "another process that writes it" in ran.err


@pytest.mark.parametrize("version", [1, 2])
def test_a_log_of_an_early_version_is_joined(tmp_path: Path, version: int) -> None:
    a, old = tmp_path / "a.db", tmp_path / "old.db"
    write(a, ONE, [0], True)
    write_old_log(old, version)
    before = old.read_bytes()
    assert joined(a, old).added == 1
    assert old.read_bytes() == before
    with Log(a) as log, Log(old) as want:
        assert list(log.ticks(2)) == list(want.ticks(1))
        assert list(log.raw(2)) == list(want.raw(1))
        assert log.van_text(2) == want.van_text(1)
