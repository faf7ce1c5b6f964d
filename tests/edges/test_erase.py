"""What is erased is gone from the file, whatever form it had; the books stay."""

import sqlite3
import struct
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from logger.core.ledger import Total
from logger.core.rollup import MinuteFold, QuarterFold
from logger.core.soc import Count
from logger.core.tick import Cell, Gap, Tick
from logger.core.trips import Trip
from logger.decode.frames import Entry, Frame, Line, Raw
from logger.desk import Desk
from logger.pipeline.spec import Balance, Output
from logger.store.erasing import erase_trip, position_sources
from logger.store.nameless import nameless
from logger.store.reader import Log
from logger.store.rows import Batch, Event
from logger.store.writer import RunEnd, RunStart, Writer
from logger.van.reading import read_van
from tests.house.pages import EXAMPLE
from tests.running import ampledger

VAN = """# Bought from Ada Marigold
[van]
name = "Marigold"  # her name
[[bus]]
name = "drive"
interface = "virtual"
channel = "x"
bitrate = 500000
[[port]]
name = "gps"
device = "/dev/null"
[[port]]
name = "meter"
device = "/dev/zero"
[[feed]]
channel = "gps.latitude_deg"
port = "gps"
line = "fix"
field = "lat"
"""
START = RunStart(
    "marigold-home.log", "ab" * 32, 1_700_000_000_000_000, True, 0, "test", VAN, {}
)
NORTH = 51.123456789
"""Of no other value's bytes, so that it can be looked for in the file."""
LENGTH = 1500
TRIPS = [
    Trip(60_000_000, 119_000_000, 0, 500.0, 50.0, 5.0, -1.0, None, None, 80.0, 79.0,
         70.0, 88.0, -1.0),
    Trip(300_000_000, 400_000_000, 0, 900.0, 90.0, 9.0, -2.0, None, None, 79.0, 77.0,
         70.0, 88.0, -2.0),
]  # fmt: skip
BALANCE = Balance(
    LENGTH * 10**6,
    {"pack.current_a": Total(-7.5, LENGTH * 10**6, 0)},
    Count(77.0, -3.0, 5.0, 1500.0, 0.0),
    4.0,
    (),
    0,
)


def tick(index: int) -> Tick:
    """Return a second with a current and a place."""
    value = -(index % 50) / 10
    cells = {
        "pack.current_a": Cell(1, value, value, value, value, 1_000_000),
        "gps.latitude_deg": Cell(1, NORTH, NORTH, NORTH, NORTH, 1_000_000),
    }
    return Tick(index, index * 10**6, index * 10**6 + 5, cells)


def raw(index: int) -> list[Raw]:
    """Return what came in a second."""
    at_us, seq = index * 10**6, index * 4
    return [
        Frame(at_us, seq, "drive", 5, False, b"\x01\x02"),
        Line(at_us + 1, seq + 1, "gps", b"$FIX,51.123456789"),
        Line(at_us + 2, seq + 2, "meter", b"V 12.5"),
        Entry(at_us + 3, seq + 3, index + 1, "note", f"Ada was here {index}"),
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a log of one run: two trips, a place, notes, folded and not."""
    path = tmp_path / "van.db"
    minutes, quarters, rolled = MinuteFold(), QuarterFold(), list[Output]()
    ticks = [tick(index) for index in range(LENGTH)]
    for each in ticks:
        minute = minutes.add(each)
        rolled += [] if minute is None else [minute]
    last = minutes.finish()
    rolled += [] if last is None else [last]
    for made in list(rolled):
        quarter = quarters.add(made)  # type: ignore[arg-type]
        rolled += [] if quarter is None else [quarter]
    final = quarters.finish()
    rolled += [] if final is None else [final]
    with Writer(path) as writer:
        run = writer.begin_run(START)
        for at in range(0, LENGTH, 100):
            items = [item for index in range(at, at + 100) for item in raw(index)]
            events = [Event(at * 10**6, "note", f"Ada noted {at}")]
            writer.store(run, Batch(ticks[at : at + 100], items, events))
        writer.store(run, Batch([*rolled, *TRIPS, BALANCE]))
        while writer.tidy():
            pass
        writer.end_run(run, RunEnd(LENGTH * 10**6))
    return path


def bytes_of(path: Path) -> bytes:
    """Return all bytes of a log and of what lies beside it."""
    beside = sorted(path.parent.glob(path.name + "*"))
    return b"".join(each.read_bytes() for each in beside)


def is_sound(path: Path) -> bool:
    """Return whether a log is whole."""
    with closing(sqlite3.connect(path)) as connection:
        whole = connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        keys = connection.execute("PRAGMA foreign_key_check").fetchall()
        left = connection.execute("SELECT 1 FROM shed WHERE what = 'unswept'")
        return whole and keys == [] and left.fetchone() is None


def test_an_erased_trip_is_gone_and_the_books_stay(path: Path) -> None:
    with Log(path) as log:
        totals, count = log.totals(1), log.runs()[0].count
    ran = ampledger("erase", path, "trip", "1", "1", "--yes")
    assert ran.code == 0, ran.err
    assert "Trip 1 of run 1 goes: 2023-11-14T22:14:20" in ran.out
    assert is_sound(path)
    gone = range(60, 120)
    with Log(path) as log:
        assert log.trips(1) == TRIPS[1:]
        assert (log.totals(1), log.runs()[0].count) == (totals, count)
        assert list(log.ticks(1)) == [tick(i) for i in range(LENGTH) if i not in gone]
        assert [
            item for item in log.raw(1) if 60_000_000 <= item.t_us <= 119_000_000
        ] == []
        assert sum(1 for _ in log.raw(1)) == 4 * LENGTH - 4 * 59 - 1
        kinds = {(event.kind, event.text) for event in log.events(1)}
        assert ("erased", "A trip of this run was erased by request.") in kinds
        assert ("note", "Ada noted 100") not in kinds
        assert ("note", "Ada noted 200") in kinds


def test_sums_at_the_edges_are_made_of_what_is_left(path: Path) -> None:
    ran = ampledger("erase", path, "trip", "1", "2", "--yes")
    assert ran.code == 0, ran.err
    left = [tick(i) for i in range(LENGTH) if not 300 <= i <= 400]
    minutes, want = MinuteFold(), {}
    for each in left:
        minute = minutes.add(each)
        if minute is not None:
            want[minute.index] = minute.cells["pack.current_a"]
    last = minutes.finish()
    assert last is not None
    want[last.index] = last.cells["pack.current_a"]
    with Log(path) as log:
        found = dict(log.minutes(1, "pack.current_a"))
        (first, _) = log.quarters(1, "pack.current_a")
    assert found.keys() == want.keys()
    assert all(found[i].n == want[i].n for i in want)
    assert found[6].integral == pytest.approx(want[6].integral)
    # By hand: 900 seconds of the first quarter less 101.
    assert first[1].n == 799


def test_erased_places_are_in_no_byte_of_the_file(path: Path) -> None:
    value = struct.pack(">d", NORTH)  # as SQLite writes it in minutes and quarters
    assert value in bytes_of(path)
    ran = ampledger("erase", path, "places", "--yes")
    assert ran.code == 0, ran.err
    assert is_sound(path)
    assert value not in bytes_of(path)
    with Log(path) as log:
        ticks = list(log.ticks(1))
        assert [each.cells.keys() for each in ticks] == [{"pack.current_a"}] * LENGTH
        assert [each.cells["pack.current_a"] for each in ticks] == [
            tick(i).cells["pack.current_a"] for i in range(LENGTH)
        ]
        items = list(log.raw(1))
        assert log.minutes(1, "gps.latitude_deg") == []
        assert log.quarters(1, "gps.latitude_deg") == []
        assert log.trips(1) == TRIPS
    assert not any(isinstance(each, Line) and each.port == "gps" for each in items)
    assert len(items) == 3 * LENGTH


def test_a_new_owner_finds_the_books_and_no_names(path: Path, tmp_path: Path) -> None:
    desk = tmp_path / "desk.db"
    Desk(desk).note(1, "Ada's desk")
    ran = ampledger("erase", path, "owner", "--yes", "--desk", desk)
    assert ran.code == 0, ran.err
    assert is_sound(path)
    for name in (b"Ada", b"Marigold", b"marigold"):
        assert name not in bytes_of(path), name
        assert name not in desk.read_bytes()
    with Log(path) as log:
        (run,) = log.runs()
        assert run.recording == "a recording"
        assert log.trips(1) == TRIPS
        assert log.totals(1) == BALANCE.totals
        assert not any(isinstance(e, Entry) and e.text for e in log.raw(1))
        assert 'name" = "gps"' in log.van_text(1)
    assert Desk(desk).after(0) == []
    assert Desk(desk).note(2, "The new owner's") == 2


def test_an_older_copy_brings_no_names_back(path: Path, tmp_path: Path) -> None:
    older = tmp_path / "older.db"
    older.write_bytes(path.read_bytes())
    assert ampledger("erase", path, "owner", "--yes").code == 0
    assert ampledger("join", path, older).code == 0
    for name in (b"Ada", b"Marigold", b"marigold", struct.pack(">d", NORTH)):
        assert name not in bytes_of(path), name
    with Log(path) as log:
        assert not any(isinstance(e, Entry) and e.text for e in log.raw(1))
        assert {"pack.current_a"} == {n for t in log.ticks(1) for n in t.cells}


def everything(path: Path) -> dict[str, object]:
    """Return what a log of one run can tell, but for its events."""
    with Log(path) as log:
        (run,) = log.runs()
        names = ("pack.current_a", "gps.latitude_deg")
        return {
            "seconds": list(log.ticks(run.id)),
            "minutes": {name: log.minutes(run.id, name) for name in names},
            "quarters": {name: log.quarters(run.id, name) for name in names},
            "raw": list(log.raw(run.id)),
            "trips": log.trips(run.id),
            "totals": log.totals(run.id),
        }


@pytest.mark.parametrize("is_by_way_of_another", [False, True])
def test_an_older_copy_brings_no_erased_trip_back(
    path: Path, tmp_path: Path, is_by_way_of_another: bool
) -> None:
    older, other = tmp_path / "older.db", tmp_path / "other.db"
    older.write_bytes(path.read_bytes())
    assert ampledger("erase", path, "trip", "1", "1", "--yes").code == 0
    erased = everything(path)
    if is_by_way_of_another:
        # What was erased stays erased where the run is copied to.
        with Writer(other):
            pass
        assert ampledger("join", other, path).code == 0
        assert everything(other) == erased
    target = other if is_by_way_of_another else path
    assert ampledger("join", target, older).code == 0
    assert everything(target) == erased
    assert is_sound(target)


def test_erased_places_stay_erased_where_a_run_is_copied_to(
    path: Path, tmp_path: Path
) -> None:
    older, other = tmp_path / "older.db", tmp_path / "other.db"
    older.write_bytes(path.read_bytes())
    assert ampledger("erase", path, "owner", "--yes").code == 0
    with Writer(other):
        pass
    assert ampledger("join", other, path).code == 0
    assert ampledger("join", other, older).code == 0
    for name in (b"Ada", b"Marigold", b"marigold", struct.pack(">d", NORTH)):
        assert name not in bytes_of(other), name


def test_erasing_that_was_interrupted_is_finished_by_the_next(path: Path) -> None:
    trip = TRIPS[0]
    start = path.read_bytes()
    for stop in range(1, 6):
        path.write_bytes(start)
        with Writer(path) as writer:
            steps = writer.work(lambda c: erase_trip(c, 1, trip.start_us, trip.end_us))
            for _ in range(stop):
                next(steps, None)
            steps.close()  # type: ignore[attr-defined]
        with Log(path) as log:
            is_there = trip in log.trips(1)
        if is_there:
            assert ampledger("erase", path, "trip", "1", "1", "--yes").code == 0
        else:
            assert ampledger("erase", path, "places", "--yes").code == 0
        assert is_sound(path)


def test_copies_that_still_hold_it_are_named_and_left(path: Path) -> None:
    copy = path.with_name("van-2026-06-01.db")
    copy.write_bytes(path.read_bytes())
    before = copy.read_bytes()
    ran = ampledger("erase", path, "places", "--yes")
    assert ran.code == 3
    assert str(copy) in ran.out
    assert copy.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [("trip",), ("trip", "1"), ("places", "1"), ("trip", "1", "1", "--desk", "x")],
)
def test_a_wrong_call_erases_nothing(path: Path, words: tuple[str, ...]) -> None:
    before = path.read_bytes()
    assert ampledger("erase", path, *words, "--yes").code == 2
    assert path.read_bytes() == before


def test_nothing_is_erased_without_a_yes(path: Path) -> None:
    before = path.read_bytes()
    ran = ampledger("erase", path, "places")
    assert ran.code == 1
    assert path.read_bytes() == before


def test_a_trip_that_is_not_there_is_told(path: Path) -> None:
    ran = ampledger("erase", path, "trip", "1", "3", "--yes")
    assert ran.code == 1
    assert "found 2 trips" in ran.err


def test_a_log_that_is_being_written_is_left_alone(path: Path) -> None:
    with Writer(path):
        ran = ampledger("erase", path, "places", "--yes")
    assert ran.code == 1
    assert "another process that writes it" in ran.err


def test_where_places_come_from_is_told_by_the_van_file() -> None:
    assert position_sources(VAN) == frozenset({"port gps"})
    assert position_sources("not a van file") is None
    feed = '[[feed]]\nchannel = "gps.latitude_deg"\nbus = "drive"\nmessage = "P"\n'
    found = position_sources("[van]\nname = 'x'\n" + feed + "signal = 'L'\n")
    assert found == frozenset({"bus drive"})


def test_a_nameless_van_file_sets_the_same(tmp_path: Path) -> None:
    for each in EXAMPLE.iterdir():
        (tmp_path / each.name).write_bytes(each.read_bytes())
    van = tmp_path / "van.toml"
    before = read_van(van)
    text = nameless(van.read_text(encoding="utf-8"))
    assert "#" not in text
    van.write_text(text, encoding="utf-8")
    after = read_van(van)
    assert after.settings.van.name == "Van"
    named = before.settings.van.model_copy(update={"name": "Van"})
    assert after.settings == before.settings.model_copy(update={"van": named})
    assert nameless("not a van file") == '[van]\n"name" = "Van"\n'


def test_the_gap_of_an_erased_trip_goes_with_it(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    gap = Gap("pack.current_a", 70_000_000, 90_000_000)
    with Writer(path) as writer:
        run = writer.begin_run(replace(START, recording=None, recording_sha256=None))
        held = replace(tick(90), gaps=(gap,))
        writer.store(run, Batch([tick(65), held, TRIPS[0]]))
        writer.end_run(run, RunEnd(120_000_000))
    assert ampledger("erase", path, "trip", "1", "1", "--yes").code == 0
    with Log(path) as log:
        assert log.gaps(1) == []
        assert not log.has_ticks(1)
