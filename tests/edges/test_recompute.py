"""Derived tables again: equal to what the live path would have written."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.clock import Clock
from logger.core.rollup import Minute, Quarter
from logger.core.trips import Trip
from logger.daemon.book import Book, end_cut_off_runs
from logger.decode.frames import Beat, Line, Raw
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance, Output
from logger.store.carrying import carried_to_live_run, left_at
from logger.store.cut_off import make_whole
from logger.store.planning import Source
from logger.store.reader import Log, RunRow
from logger.store.recomputing import Outcome, in_order, recompute
from logger.store.rows import Batch
from logger.store.starting import live_start
from logger.store.whole import whole_ticks
from logger.store.writer import RunEnd, Writer
from logger.van.reading import Van, read_van
from tests.builders import LAW, orderly, us
from tests.running import DATA, ampledger

START_US = 1_700_000_000_000_000
FEW = settings(LAW, max_examples=30)

VAN = """
[van]
name = "Dunlin"

[pack]
nameplate_ah = 100.0
capacity_is_measured = true
series_groups = 96
start_soc_pct = 50.0

[wheels]
circumference_m = 2.1
motor_turns_per_wheel_turn = 9.0

[[port]]
name = "meter"
device = "/dev/serial/by-id/meter"

[[line]]
name = "main"
port = "meter"
columns = ["amps", "volts", "key", "rpm"]
"""
FEEDS = (
    ("pack.current_a", "amps"),
    ("pack.voltage_v", "volts"),
    ("key.on", "key"),
    ("motor.speed_rpm", "rpm"),
)
WHEELS = ("circumference_m = 2.1", "circumference_m = 1.987")
CAPACITY = ("nameplate_ah = 100.0", "nameplate_ah = 87.3")
SIGN = ('field = "amps"', 'field = "amps"\nflip = true')
START = ("start_soc_pct = 50.0", "start_soc_pct = 61.0")
CORRECTIONS = {
    "wheels": (WHEELS,),
    "capacity": (CAPACITY,),
    "sign": (SIGN,),
    "start": (START,),
    "all at once": (WHEELS, CAPACITY, SIGN, START),
}


def van(folder: Path, *corrected: tuple[str, str]) -> Van:
    """Return the van of these tests, with some of its text corrected."""
    feeds = "".join(
        f'\n[[feed]]\nchannel = "{channel}"\nport = "meter"\nline = "main"\n'
        f'field = "{field}"\n'
        for channel, field in FEEDS
    )
    text = VAN + feeds
    for before, after in corrected:
        assert before in text
        text = text.replace(before, after)
    path = folder / "van.toml"
    path.write_text(text, encoding="utf-8")
    return read_van(path)


@dataclass(frozen=True, slots=True)
class Drive:
    """The items of one run, and the time after the end of the run before it."""

    away_s: float
    items: tuple[Raw, ...]


@st.composite
def drives(draw: st.DrawFn) -> Drive:
    """Return lines at uneven times, a slow beat, silences, and beats of the clock."""
    items: list[Raw] = []
    t_s = 0.0
    steps = st.one_of(
        st.floats(0.01, 2.0), st.sampled_from([1.0, 6.0, 61.0, 601.0, 4000.0])
    )
    for _ in range(draw(st.integers(1, 5))):
        step_s = draw(steps)
        for _ in range(draw(st.integers(1, 6))):
            t_s += step_s
            cells = (
                draw(st.sampled_from(["", "-40.3", "25.7", "0"])),
                draw(st.sampled_from(["", "371.3", "402"])),
                draw(st.sampled_from(["", "", "0", "1"])),
                draw(st.sampled_from(["", "1531.7", "-120.1", "0", "2999"])),
            )
            text = ",".join(cells).encode()
            late_us = draw(st.sampled_from([0, 0, 0, 700_000]))
            items.append(Line(max(0, us(t_s) - late_us), len(items), "meter", text))
        if draw(st.booleans()):
            items.append(Beat(us(t_s), len(items)))
    return Drive(draw(st.sampled_from([0.0, 60.0, 40_000.0])), tuple(items))


DRIVE = Drive(
    0.0, tuple(Line(us(i), i, "meter", b"-40.3,371.3,1,1531.7") for i in range(60))
)
"""A minute on the road."""

LIVES = st.lists(drives(), min_size=1, max_size=3)


def lived(path: Path, by: Van, lives: Sequence[Drive], keeps_raw: bool) -> None:
    """Store runs as the logger does, each with the count of the one before it."""
    start_us = START_US
    with Writer(path) as writer:
        for drive in lives:
            start_us += us(drive.away_s)
            with Log(path) as log:
                carried = carried_to_live_run(log, start_us)
            run = writer.begin_run(live_start(by, start_us, True))
            pipeline = Pipeline(by.spec, carried)
            outputs = [*pipeline.feed(drive.items), *pipeline.finish()]
            raw = drive.items if keeps_raw else ()
            writer.end_run(run, RunEnd(pipeline.newest_us), Batch(outputs, raw))
            start_us += pipeline.newest_us


def again(path: Path, by: Van | None, folds: bool = False) -> list[Outcome]:
    """Work all runs of a log out again."""
    with Writer(path) as writer:
        while folds and writer.tidy():
            pass
        with Log(path) as log:
            runs = in_order(log.runs())
        return [recompute(writer, run, by, lambda seconds: None) for run in runs]


def books(path: Path) -> dict[str, Any]:
    """Return everything that is worked out of what came in."""
    with Log(path) as log:
        found: dict[str, Any] = {}
        for run in log.runs():
            found[f"run {run.id}"] = replace(run, uid="")
            found[f"van {run.id}"] = log.van_text(run.id)
            found[f"ticks {run.id}"] = list(map(orderly, whole_ticks(log, run.id)))
            found[f"trips {run.id}"] = log.trips(run.id)
            found[f"totals {run.id}"] = log.totals(run.id)
            found[f"refusals {run.id}"] = log.refusals(run.id)
        for table in ("minute", "quarter"):
            found[table] = log.connection.execute(
                f"SELECT run, {table}, name, n, min, max, mean, last, covered_s"  # noqa: S608
                f" FROM {table} JOIN channel ON channel.id = {table}.channel"
                f" ORDER BY run, {table}, name"
            ).fetchall()
        return found


@FEW
@given(LIVES, st.booleans())
def test_with_the_same_settings_stored_seconds_come_to_what_they_were(
    lives: list[Drive], folds: bool
) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "van.db"
        lived(path, van(Path(folder)), lives, keeps_raw=False)
        before = books(path)
        outcomes = again(path, None, folds)
        assert {each.source for each in outcomes} == {Source.SECONDS}
        assert books(path) == before


@FEW
@given(LIVES, st.sampled_from(sorted(CORRECTIONS)), st.booleans(), st.booleans())
def test_after_a_correction_all_is_as_if_it_had_been_right_from_the_first(
    lives: list[Drive], what: str, keeps_raw: bool, folds: bool
) -> None:
    with TemporaryDirectory() as folder:
        old, new = Path(folder) / "old.db", Path(folder) / "new.db"
        lived(old, van(Path(folder)), lives, keeps_raw)
        right = van(Path(folder), *CORRECTIONS[what])
        lived(new, right, lives, keeps_raw)
        outcomes = again(old, right, folds)
        source = Source.FRAMES if keeps_raw else Source.SECONDS
        assert {each.source for each in outcomes} == {source}
        assert books(old) == books(new)


def cut_off(
    path: Path, by: Van, drive: Drive, balances: int, keeps_raw: bool
) -> list[Output]:
    """Store a run up to a power cut; return what should have been stored of it."""
    with Writer(path) as writer:
        run = writer.begin_run(live_start(by, START_US, True))
        pipeline = Pipeline(by.spec)
        outputs: list[Output] = []
        for number, item in enumerate(drive.items):
            outputs += pipeline.feed([item])
            if number % balances == 0:
                outputs.append(pipeline.balance())
        writer.store(run, Batch(outputs, drive.items if keeps_raw else ()))
        with Log(path) as log:
            (row,) = log.runs()
            end_us = left_at(log, row)[0]
        (number,) = end_cut_off_runs(writer)
        for _ in writer.work(lambda c: make_whole(c, path, number)):
            pass
    return [*outputs, *pipeline.give_up(end_us)]


@FEW
@given(drives(), st.integers(1, 12), st.booleans())
def test_a_run_cut_off_is_made_whole_and_stays_so(
    drive: Drive, balances: int, keeps_raw: bool
) -> None:
    with TemporaryDirectory() as folder:
        path, by = Path(folder) / "van.db", van(Path(folder))
        expected = cut_off(path, by, drive, balances, keeps_raw)
        closed = expected[-1]
        assert isinstance(closed, Balance)
        made = books(path)
        assert made["trips 1"] == [each for each in expected if isinstance(each, Trip)]
        assert made["totals 1"] == closed.totals
        assert made["run 1"].count == closed.count
        cells = [each.cells for each in expected if isinstance(each, Minute | Quarter)]
        assert len(made["minute"]) + len(made["quarter"]) == sum(map(len, cells))
        outcomes = again(path, by if keeps_raw else None)
        assert [each.why_left for each in outcomes] == [""]
        assert books(path) == made


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log of two runs, of a van that drove, without frames."""
    path = tmp_path / "van.db"
    lived(path, van(tmp_path), [DRIVE, DRIVE], keeps_raw=False)
    return path


def rows(path: Path, statement: str) -> None:
    """Change a log behind its program's back."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)


def told(path: Path, by: Van | None) -> str:
    """Return why the first run of a log is left as it was; nothing may change then."""
    before = books(path)
    outcome = again(path, by)[0]
    assert outcome.source is None
    assert books(path)["run 1"] == before["run 1"]
    assert books(path)["ticks 1"] == before["ticks 1"]
    return outcome.why_left


@pytest.mark.parametrize(("statement", "why"), [
    ("INSERT INTO shed (run, what, until_us) VALUES (1, 'seconds', 30000000)",
     "its seconds up to 2023-11-14T22:13:50.000Z are gone"),
    ("DELETE FROM gap_limit", "an earlier version stored it"),
    ("DELETE FROM tick WHERE tick = 5", "are not among its seconds"),
    ("UPDATE run SET end_us = NULL WHERE id = 1", "it was never ended"),
    ("UPDATE van_file SET text = 'no TOML'", "its own van file is not sound"),
    ("UPDATE tick SET cells = x'00' WHERE tick = 5", "something of it is damaged"),
])  # fmt: skip
def test_a_run_of_which_too_little_is_kept_is_left_as_it_was(
    statement: str, why: str, log: Path
) -> None:
    rows(log, statement)
    if "damaged" in why:
        assert why in again(log, None)[0].why_left
        return
    assert why in told(log, None)


@pytest.mark.parametrize(("corrected", "why"), [
    (('field = "volts"', 'field = "volts"\noffset = 1.0'), "an offset of what"),
    (('field = "volts"', 'field = "volts"\nflip = true'), "refused as implausible"),
    (('field = "rpm"', 'field = "rpm"\nflip = true'), "was cut off at 0"),
    (('field = "rpm"', 'field = "key"'), "[[feed]] motor.speed_rpm field key, was rpm"),
    (('field = "rpm"', 'field = "rpm"\nmax_gap_s = 9.0'), "max_gap_s 9.0, was not"),
    (('"key", "rpm"]', '"rpm", "key"]'), "[[line]] changed"),
    (("[wheels]", "[[string]]\nname = \"roof\"\nrated_w = 9.0\nawning = \"left\"\n"
      "[wheels]"), "[[string]] awning changed"),
])  # fmt: skip
def test_what_seconds_cannot_tell_is_left_and_said(
    corrected: tuple[str, str], why: str, log: Path
) -> None:
    assert why in told(log, van(log.parent, corrected))


def test_values_that_were_refused_are_not_in_the_seconds(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    drive = Drive(0.0, (*DRIVE.items, Line(us(61), 61, "meter", b"9999,400,1,0")))
    lived(path, van(tmp_path), [drive], keeps_raw=False)
    scaled = van(tmp_path, ('field = "amps"', 'field = "amps"\nscale = 0.1'))
    assert "values of pack.current_a had been refused" in told(path, scaled)


def test_from_frames_any_correction_can_be_told(tmp_path: Path) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    right = ('field = "volts"', 'field = "volts"\noffset = 1.0')
    lived(old, van(tmp_path), [DRIVE], keeps_raw=True)
    by = van(tmp_path, right)
    lived(new, by, [DRIVE], keeps_raw=True)
    assert [each.source for each in again(old, by)] == [Source.FRAMES]
    assert books(old) == books(new)


def test_frames_with_a_hole_are_not_all_frames(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    lived(path, van(tmp_path), [DRIVE], keeps_raw=True)
    rows(path, "UPDATE raw_block SET first_seq = first_seq + 1")
    assert [e.source for e in again(path, van(tmp_path, WHEELS))] == [Source.SECONDS]


def test_another_factor_is_told_to_the_twelfth_digit(tmp_path: Path) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    right = ('field = "amps"', 'field = "amps"\nscale = 0.97')
    lived(old, van(tmp_path), [DRIVE], keeps_raw=False)
    by = van(tmp_path, right)
    lived(new, by, [DRIVE], keeps_raw=False)
    assert again(old, by)[0].source is Source.SECONDS
    was, now = books(old)["totals 1"], books(new)["totals 1"]
    assert {name: each.integral for name, each in was.items()} == pytest.approx(
        {name: each.integral for name, each in now.items()}, rel=1e-12
    )


def test_the_run_says_what_was_corrected(log: Path) -> None:
    again(log, van(log.parent, WHEELS, CAPACITY))
    with Log(log) as opened:
        (event,) = opened.events(1)
        assert event.kind == "recomputed"
        assert event.text == (
            "From the seconds: [pack] nameplate_ah 87.3, was 100.0; "
            "[wheels] circumference_m 1.987, was 2.1."
        )
        assert "1.987" in opened.van_text(1)


def test_live_runs_go_by_their_number_whatever_their_date() -> None:
    def run(number: int, start_us: int | None, recording: str | None = None) -> RunRow:
        return RunRow(
            id=number, recording=recording, recording_sha256=None, start_us=start_us,
            zero_stamp_us=0, end_us=9, program="", damaged_lines=0, is_start_sure=False,
            unmatched_frames=0, unmatched_lines=0, balance_us=9, count=None,
        )  # fmt: skip

    runs = [
        run(1, 500), run(2, 100), run(3, 700), run(4, 600, "a.log"), run(5, None, "b"),
    ]  # fmt: skip
    assert [each.id for each in in_order(runs)] == [1, 2, 4, 3, 5]


def test_the_command_tells_run_by_run_and_that_some_were_left(log: Path) -> None:
    rows(log, "INSERT INTO shed (run, what, until_us) VALUES (1, 'seconds', 30000000)")
    van(log.parent, WHEELS)
    ran = ampledger("recompute", log, "--van", log.parent / "van.toml")
    assert ran.code == 3
    first, second, last = ran.out.splitlines()
    assert first.startswith("Run 1 (2023-11-14T22:13:20.000Z): left as it was; its sec")
    assert "from the seconds: distance 0.35 -> 0.33 km" in second
    assert last == "1 of 2 runs left as they were."


def test_the_command_does_one_run_and_knows_which_there_are(log: Path) -> None:
    ran = ampledger("recompute", log, "--run", "2")
    assert (ran.code, len(ran.out.splitlines())) == (0, 1)
    assert ran.out.endswith("from the seconds: comes to the same.\n")
    ran = ampledger("recompute", log, "--run", "7")
    assert ran.code == 1
    assert "found no such run" in ran.err
    assert "1, 2" in ran.err


@pytest.mark.parametrize("keep", ["--keep-raw", "--no-keep-raw"])
def test_recorded_drives_come_to_what_they_were(keep: str, tmp_path: Path) -> None:
    for name, recordings in (("ev", "*.csv.gz"), ("example", "*.log")):
        path = tmp_path / f"{name}.db"
        by = DATA / name / "van.toml"
        files = sorted((DATA / name).glob(recordings))
        ampledger("replay", "--van", by, "--into", path, keep, *files)
        before = books(path)
        for words in ((), ("--van", by)):
            assert ampledger("recompute", path, *words).code == 0
            assert books(path) == before


def test_recorded_drives_of_a_mended_van_come_to_what_a_fresh_replay_gives(
    tmp_path: Path,
) -> None:
    right = (DATA / "ev" / "van.toml").read_text(encoding="utf-8")
    wrong = right.replace("nameplate_ah = 61.74", "nameplate_ah = 50.0").replace(
        'column = "pack_a"', 'column = "pack_a"\nflip = true'
    )
    assert wrong.count("flip") == right.count("flip") + 1
    files = sorted((DATA / "ev").glob("*.csv.gz"))
    for name, text in (("wrong", wrong), ("right", right)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        ampledger(
            "replay", "--van", tmp_path / f"{name}.toml",
            "--into", tmp_path / f"{name}.db", *files,
        )  # fmt: skip
    ran = ampledger(
        "recompute", tmp_path / "wrong.db", "--van", tmp_path / "right.toml"
    )
    assert ran.code == 0, ran.out
    assert books(tmp_path / "wrong.db") == books(tmp_path / "right.db")


@pytest.fixture
def cut(tmp_path: Path) -> Path:
    """A log whose only run lost its power in the middle of a minute."""
    path, by = tmp_path / "van.db", van(tmp_path)
    with Writer(path) as writer:
        run = writer.begin_run(live_start(by, START_US, True))
        pipeline = Pipeline(by.spec)
        outputs = [*pipeline.feed(DRIVE.items[:50]), pipeline.balance()]
        writer.store(run, Batch([*outputs, *pipeline.feed(DRIVE.items[50:])]))
    return path


def test_the_daemon_makes_a_run_whole_once_it_has_time(cut: Path) -> None:
    book = Book(cut, Clock())
    book.open()
    book.begin(live_start(van(cut.parent), START_US + us(100), True))
    before = books(cut)
    assert before["minute"] == []
    assert before["trips 1"][0].end_us == us(48)
    while book.tidy():
        pass
    made = books(cut)
    assert {row[:2] for row in made["minute"]} == {(1, 0)}
    assert {row[:2] for row in made["quarter"]} == {(1, 0)}
    assert made["trips 1"][0].end_us == us(58)
    # By hand: -40.3 A for 58 s out of 100 Ah, from 50 %.
    assert made["run 1"].count.counted_pct == pytest.approx(50 - 40.3 * 58 / 3600)
    book.close()


def test_a_stop_while_a_run_is_made_whole_takes_nothing_away(cut: Path) -> None:
    book = Book(cut, Clock())
    book.open()
    book.begin(live_start(van(cut.parent), START_US + us(100), True))
    before = books(cut)
    assert book.tidy()
    book.close()
    assert books(cut)["ticks 1"] == before["ticks 1"]
    assert again(cut, None)[0].why_left == ""
    assert books(cut)["trips 1"][0].end_us == us(58)
    assert sorted(cut.parent.glob("van.db*")) == [cut]


def test_where_seconds_are_missing_the_balance_stands(cut: Path) -> None:
    rows(cut, "DELETE FROM tick WHERE tick = 20")
    with Writer(cut) as writer:
        (number,) = end_cut_off_runs(writer)
        before = books(cut)
        for _ in writer.work(lambda c: make_whole(c, cut, number)):
            pass
    made = books(cut)
    assert (made["trips 1"], made["totals 1"]) == (
        before["trips 1"], before["totals 1"],
    )  # fmt: skip
