"""The log: what is handed over is stored, and what was stored is read back."""

import os
import sqlite3
import stat
import struct
import tempfile
import threading
import zlib
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import apsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.clock import Clock
from logger.core.ledger import Total
from logger.core.rollup import Minute
from logger.core.soc import Count
from logger.core.tick import Cell, Gap, Tick
from logger.core.trips import Trip
from logger.decode.frames import Beat, Entry, Frame, Line, Raw, Reason
from logger.errors import StoreError
from logger.pipeline.spec import Balance, Refusal, Remark
from logger.store.connect import Connect, Connection, connect_for_writing
from logger.store.migrations import MIGRATIONS
from logger.store.packed import DamagedRowError
from logger.store.reader import Log, iso_utc
from logger.store.recording import (
    FORMAT,
    ITEMS_PER_BLOCK,
    blocks,
    pack_block,
    unpack_block,
)
from logger.store.rows import RUN_TABLES, Batch, Event
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import LAW

START = RunStart(
    recording="drive.log",
    recording_sha256="ab" * 32,
    start_us=1_700_000_000_000_000,
    is_start_sure=True,
    zero_stamp_us=1_700_000_000_000_000,
    program="ampledger test",
    van_text="[van]\nname = 'Test'\n",
    descriptions={"drive.dbc": "cd" * 32},
)
TICKS = [
    Tick(
        index=second,
        first_us=second * 1_000_000 + 10,
        last_us=second * 1_000_000 + 900_000,
        cells={
            "pack.current_a": Cell(9, -20.5, -1.0, -3.25, -7.125, 900_000),
            "key.on": Cell(1, 1.0, 1.0, 1.0),
        },
    )
    for second in (0, 1, 59, 60, 125)
]
MINUTES = [
    Minute(0, {"pack.current_a": Cell(27, -20.5, -1.0, -3.25, -21.375, 2_700_000)}),
    Minute(2, {"pack.current_a": TICKS[4].cells["pack.current_a"]}),
]
TRIP = Trip(10, 125_900_000, 0, 1234.5, 200.0, 20.0, -1.5, None, None, 80.0, 79.0,
            70.0, 88.0, -1.0)  # fmt: skip
CLOSING = Balance(
    t_us=125_900_000,
    totals={"pack.current_a": Total(-35.625, 4_500_000, 64_000_000)},
    count=Count(79.0, -1.0, 5.0, 120.0, 6.0),
    sigma_pct=4.5,
    refusals=(Refusal("bus drive, message A", Reason.SHORT, 3, 1, 9, "00 01"),),
    unmatched_frames=17,
    unmatched_lines=4,
)
RAW: list[Raw] = [
    Frame(-5, 0, "drive", 0x123, False, b""),
    Frame(0, 1, "drive", 0x1ABCDEFF, True, bytes(range(64))),
    Line(7, 2, "meter", b"V\t12.5"),
    Frame(7, 4, "house", 0x7FF, False, b"\xff"),
]


def connect_with_apsw(path: Path) -> Connection:
    """Return a connection of another library, to the same file."""
    return apsw.Connection(str(path))


def write_one(path: Path, connect: Connect = connect_for_writing) -> int:
    """Write one whole run and return its number."""
    with Writer(path, connect) as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch(TICKS[:3], RAW, [Event(5, "clock step", "back")]))
        writer.write(run, Batch([MINUTES[0], *TICKS[3:], MINUTES[1], TRIP, CLOSING]))
        writer.end_run(run, RunEnd(end_us=125_900_000, damaged_lines=2))
    return run


@pytest.fixture(params=[connect_for_writing, connect_with_apsw], ids=["own", "apsw"])
def log(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Log]:
    write_one(tmp_path / "van.db", request.param)
    with Log(tmp_path / "van.db") as opened:
        yield opened


def test_ticks_come_back_as_they_went_in(log: Log) -> None:
    assert list(log.ticks(1)) == TICKS


def test_frames_and_lines_come_back_as_they_went_in(log: Log) -> None:
    assert list(log.raw(1)) == RAW


def test_trips_totals_refusals_and_events_come_back(log: Log) -> None:
    assert log.trips(1) == [TRIP]
    assert log.totals(1) == CLOSING.totals
    (refusal,) = log.refusals(1)
    assert (refusal.n, refusal.reason) == (3, "frame shorter than described")
    assert [(event.kind, event.text) for event in log.events(1)] == [
        ("clock step", "back")
    ]


def test_a_run_keeps_its_van_file_digests_and_program(log: Log) -> None:
    (run,) = log.runs()
    assert log.van_text(run.id) == START.van_text
    assert run.program == "ampledger test"
    assert (run.damaged_lines, run.unmatched_frames) == (2, 17)
    assert run.count == CLOSING.count
    (descriptions,) = log.connection.execute("SELECT descriptions FROM run").fetchone()
    assert descriptions == '{"drive.dbc": "' + "cd" * 32 + '"}'


def test_minutes_come_back_with_mean_and_covered_time(log: Log) -> None:
    rows = log.connection.execute(
        "SELECT minute, n, min, max, mean, last, covered_s FROM minute ORDER BY minute"
    ).fetchall()
    # By hand: -21.375 A·s over 2.7 s, and -7.125 A·s over 0.9 s.
    mean_a = pytest.approx(-7.125 / 0.9)
    assert rows == [
        (0, 27, -20.5, -1.0, mean_a, -3.25, pytest.approx(2.7)),
        (2, 9, -20.5, -1.0, mean_a, -3.25, pytest.approx(0.9)),
    ]


def test_the_plain_views_give_names_and_dates(log: Log) -> None:
    row = log.connection.execute(
        "SELECT t_utc, channel, unit FROM minute_plain"
        " WHERE channel = 'pack.current_a' ORDER BY t_utc DESC LIMIT 1"
    ).fetchone()
    # 1700000000 s is 2023-11-14T22:13:20Z (common knowledge among Unix people).
    assert row == ("2023-11-14T22:15:20Z", "pack.current_a", "A")
    (miles,) = log.connection.execute("SELECT distance_mi FROM trip_plain").fetchone()
    assert miles == pytest.approx(1234.5 / 1609.344)


def test_frames_of_any_number_of_interfaces_are_kept(tmp_path: Path) -> None:
    raw = [Frame(i, i, f"interface{i}" * 4, i, False, b"") for i in range(400)]
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch(raw=raw))
        writer.end_run(run, RunEnd(end_us=400))
    with Log(tmp_path / "van.db") as opened:
        assert list(opened.raw(run)) == raw


def test_a_batch_written_twice_is_stored_once(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    batch = Batch(
        [TICKS[0], MINUTES[0], TRIP, CLOSING], RAW, [Event(5, "clock step", "back")]
    )
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.write(run, batch)
        writer.write(run, batch)
        writer.end_run(run, RunEnd(end_us=900_000))
    with Log(path) as opened:
        assert list(opened.ticks(run)) == [TICKS[0]]
        assert list(opened.raw(run)) == RAW
        assert len(opened.trips(run)) == len(opened.events(run)) == 1
        rows = opened.connection.execute("SELECT n FROM minute").fetchall()
        assert rows == [(27,)]


def test_gaps_are_stored_with_their_channel(tmp_path: Path) -> None:
    gap = Gap("pack.current_a", 1_000_000, 64_000_000)
    tick = Tick(64, 64_000_000, 64_000_000, TICKS[0].cells, (gap,))
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch([tick]))
        writer.end_run(run, RunEnd(end_us=64_000_000))
    with Log(tmp_path / "van.db") as opened:
        assert opened.gaps(run) == [gap]


def test_a_clean_stop_leaves_one_plain_file(tmp_path: Path) -> None:
    write_one(tmp_path / "van.db")
    assert [file.name for file in tmp_path.iterdir()] == ["van.db"]
    with closing(sqlite3.connect(tmp_path / "van.db")) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_reader_in_between_leaves_nothing_beside_the_file(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write_one(path)
    with Writer(path), Log(path) as opened:
        assert len(opened.runs()) == 1
    assert [file.name for file in tmp_path.iterdir()] == ["van.db"]


def test_a_reader_that_stays_keeps_the_log_whole(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch(TICKS))
        writer.end_run(run, RunEnd(end_us=1))
        reader = Log(path)
        walk = reader.ticks(run)
        assert next(walk) == TICKS[0]
    # The reader still holds the file: it could not be made one, and nothing is lost.
    assert list(walk) == TICKS[1:]
    reader.close()
    with Log(path) as opened:
        assert list(opened.ticks(run)) == TICKS


def test_a_second_writer_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        with pytest.raises(StoreError, match="another process that writes it"):
            Writer(path)
        run = writer.begin_run(START)
        writer.end_run(run, RunEnd(end_us=0))
    Writer(path).close()


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """Return a folder that every user of the computer may look into, not write."""
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        folder = Path(name)
        yield folder
        folder.chmod(0o700)


def test_another_user_may_read_the_log_after_a_clean_stop(public_folder: Path) -> None:
    path = public_folder / "van.db"
    write_one(path)
    path.chmod(0o444)
    public_folder.chmod(0o555)
    other = 65534  # nobody
    if os.geteuid() == 0:
        os.seteuid(other)
    try:
        assert not os.access(public_folder, os.W_OK, effective_ids=True)
        with Log(path) as opened:
            assert len(list(opened.ticks(1))) == len(TICKS)
    finally:
        if os.getuid() == 0:
            os.seteuid(0)


def test_a_reader_cannot_write(log: Log) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        log.connection.execute("DELETE FROM tick")


def test_a_log_under_way_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch(TICKS))
        writer.end_run(run, RunEnd(end_us=1))
        with Log(path) as opened:
            assert list(opened.ticks(run)) == TICKS


def test_a_run_taken_out_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch([*TICKS, TRIP, CLOSING], RAW, [Event(1, "a", "b")]))
        writer.discard_run(run)
    with closing(sqlite3.connect(path)) as connection:
        for table in ("run", *RUN_TABLES):
            (count,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608
            assert count == 0, table


@dataclass(slots=True)
class Failing:
    """A connection whose disk is full from some statement on."""

    inner: sqlite3.Connection
    is_full: Callable[[str], bool]

    def _check(self, sql: str) -> None:
        if self.is_full(sql):
            if self.inner.in_transaction:
                self.inner.execute("ROLLBACK")  # as SQLite does when a disk is full
            raise sqlite3.OperationalError("database or disk is full")

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> sqlite3.Cursor:
        """Run one statement, or fail."""
        self._check(sql)
        return self.inner.execute(sql, values)

    def executemany(self, sql: str, rows: Iterable[Sequence[Any]], /) -> sqlite3.Cursor:
        """Run one statement for each row, or fail."""
        self._check(sql)
        return self.inner.executemany(sql, rows)

    def close(self) -> None:
        """Close the file."""
        self.inner.close()

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return self.inner.in_transaction


def test_a_full_disk_is_told_and_costs_only_the_open_batch(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    is_full = [False]
    writer = Writer(
        path, lambda p: Failing(connect_for_writing(p), lambda _sql: is_full[0])
    )
    run = writer.begin_run(START)
    writer.write(run, Batch(TICKS[:2]))
    writer.end_run(run, RunEnd(end_us=1))
    again = writer.begin_run(START)
    is_full[0] = True
    writer.write(again, Batch(TICKS))
    with pytest.raises(StoreError, match="disk is full"):
        writer.end_run(again, RunEnd(end_us=2))
    is_full[0] = False
    writer.close()
    with Log(path) as opened:
        assert list(opened.ticks(run)) == TICKS[:2]
        assert list(opened.ticks(again)) == []


def test_nothing_is_stored_behind_a_batch_that_failed(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    is_full = [False]
    writer = Writer(
        path, lambda p: Failing(connect_for_writing(p), lambda _sql: is_full[0])
    )
    run = writer.begin_run(START)
    writer.write(run, Batch(TICKS[:1]))
    writer.discard_run(-1)  # waits for what was handed over
    is_full[0] = True
    writer.write(run, Batch(TICKS[1:2]))
    with pytest.raises(StoreError):
        writer.discard_run(-1)
    is_full[0] = False
    writer.write(run, Batch(TICKS[2:]))
    with pytest.raises(StoreError, match="disk is full"):
        writer.end_run(run, RunEnd(end_us=1))
    writer.close()
    with Log(path) as opened:
        assert list(opened.ticks(run)) == TICKS[:1]


def test_a_channel_heard_after_a_log_was_opened_is_named(tmp_path: Path) -> None:
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        with Log(tmp_path / "van.db") as opened:
            writer.write(run, Batch(TICKS))
            writer.end_run(run, RunEnd(end_us=1))
            assert list(opened.ticks(run)) == TICKS


def test_somebody_elses_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE theirs (a)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="something else"):
        Writer(path)
    assert path.read_bytes() == before
    with pytest.raises(StoreError, match="no log of this program"):
        Log(path)


def test_a_log_of_a_later_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    write_one(path)
    later = len(MIGRATIONS) + 1
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {later}")
    with pytest.raises(StoreError, match="newer program"):
        Writer(path)
    with pytest.raises(StoreError, match=f"version {later}"):
        Log(path)


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    path.write_text("not a database, but long enough to be looked at" * 100)
    with pytest.raises(StoreError, match="not a database"):
        Writer(path)
    with pytest.raises(StoreError, match="not a database"):
        Log(path)


def test_a_log_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such file"):
        Log(tmp_path / "nothing.db")
    with pytest.raises(StoreError, match="no such file"):
        Writer(tmp_path / "no" / "folder.db")


def test_each_change_of_the_tables_is_recorded(tmp_path: Path) -> None:
    @dataclass(frozen=True, slots=True)
    class Stopped(Clock):
        def wall_us(self) -> int:
            return 1234

    Writer(tmp_path / "van.db", clock=Stopped()).close()
    with closing(sqlite3.connect(tmp_path / "van.db")) as connection:
        rows = connection.execute("SELECT version, made_us FROM schema_change")
        assert rows.fetchall() == [(m.version, 1234) for m in MIGRATIONS]


def test_a_new_log_is_not_open_to_the_world_to_write(tmp_path: Path) -> None:
    write_one(tmp_path / "van.db")
    mode = (tmp_path / "van.db").stat().st_mode
    assert not mode & stat.S_IWOTH


def test_dates_are_told_in_utc_with_milliseconds() -> None:
    assert iso_utc(1_700_000_000_123_456) == "2023-11-14T22:13:20.123Z"
    assert iso_utc(None) is None


TOLD: list[Raw] = [
    Beat(0, 0),
    Frame(3, 1, "drive", 0x123, False, b"\x01"),
    Entry(5, 2, 41, "note", "New fuse: 60 A, \u20ac 9 \U0001f50c"),
    Beat(1_000_000, 3),
    Entry(1_000_007, 4, 42, "reading", "", "awning.left.extended", 1.0),
    Line(1_000_008, 5, "meter", b""),
]


def test_beats_and_entries_come_back_as_they_went_in(tmp_path: Path) -> None:
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        writer.write(run, Batch(raw=TOLD))
        writer.end_run(run, RunEnd(end_us=1_000_008))
    with Log(tmp_path / "van.db") as opened:
        assert list(opened.raw(run)) == TOLD


TIMES = st.integers(-(2**40), 2**40)
NAMES = st.sampled_from(["drive", "meter", "a" * 32])
ITEMS = st.one_of(
    st.builds(Beat, TIMES, TIMES),
    st.builds(
        Frame,
        TIMES,
        TIMES,
        NAMES,
        st.integers(0, 2**29 - 1),
        st.booleans(),
        st.binary(max_size=64),
    ),
    st.builds(Line, TIMES, TIMES, NAMES, st.binary(max_size=1000)),
    st.builds(
        Entry,
        TIMES,
        TIMES,
        st.integers(1, 2**40),
        st.sampled_from(["note", "reading"]),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=200),
        st.sampled_from(["", "awning.left.extended"]),
        st.floats(allow_nan=False),
    ),
)


@LAW
@given(st.lists(ITEMS, min_size=1, max_size=40))
def test_whatever_came_in_is_unpacked_as_it_was(items: list[Raw]) -> None:
    assert unpack_block(pack_block(items)) == items


def test_the_longest_entry_has_room_in_a_block() -> None:
    # 10,000 bytes of text: 2,500 characters of four bytes each.
    entry = Entry(0, 0, 1, "note", "\U0001f50c" * 2500)
    assert unpack_block(pack_block([entry])) == [entry]


def changed(block: bytes, at: int, value: int) -> bytes:
    """Return a block with one byte of its body changed."""
    body = bytearray(zlib.decompress(block))
    body[at] = value
    return zlib.compress(bytes(body))


def row_form(form: int) -> bytes:
    """Return some frames and a line as earlier versions packed them."""
    head = struct.pack("<BHqq", form, 2, -5, 0) + b"f\x05drive" + b"l\x05meter"
    rows = [
        struct.pack("<HqqIH", 0, 0, 0, 0x123, 0),
        struct.pack("<HqqIH", 0, 5, 1, 0x1ABCDEFF | 1 << 31, 2) + b"\x01\x02",
        struct.pack("<HqqIH", 1, 12, 2, 0, 6) + b"V\t12.5",
    ]
    return zlib.compress(head + b"".join(rows))


@pytest.mark.parametrize("form", [1, 2])
def test_a_block_of_an_earlier_form_is_still_read(form: int) -> None:
    assert FORMAT == 3
    assert unpack_block(row_form(form)) == [
        Frame(-5, 0, "drive", 0x123, False, b""),
        Frame(0, 1, "drive", 0x1ABCDEFF, True, b"\x01\x02"),
        Line(7, 2, "meter", b"V\t12.5"),
    ]


@pytest.mark.parametrize("form", [0, 4, 255])
def test_a_block_of_another_form_is_refused_by_its_number(form: int) -> None:
    with pytest.raises(DamagedRowError, match=f"form {form}"):
        unpack_block(changed(pack_block(RAW), 0, form))


def test_a_block_with_an_unknown_kind_of_item_is_refused() -> None:
    # The form, then two numbers in three bytes; then the first kind.
    block = pack_block([Beat(0, 0)])
    at = zlib.decompress(block).index(b"b")
    with pytest.raises(DamagedRowError):
        unpack_block(changed(block, at, ord("z")))


@pytest.mark.parametrize(
    "block",
    [
        b"",
        b"no block",
        zlib.compress(b""),
        zlib.compress(b"\x02"),
        pack_block(TOLD)[:-9],
    ],
)
def test_what_is_no_block_is_refused(block: bytes) -> None:
    with pytest.raises(DamagedRowError):
        unpack_block(block)


@LAW
@given(st.integers(0, 2000), st.integers(0, 255))
def test_a_damaged_block_is_read_or_refused_and_nothing_else(
    at: int, value: int
) -> None:
    block = pack_block(TOLD)
    size = len(zlib.decompress(block))
    with suppress(DamagedRowError):
        unpack_block(changed(block, at % size, value))


def test_blocks_are_cut_at_their_size_and_keep_the_order() -> None:
    items: list[Raw] = [Beat(i, i) for i in range(2 * ITEMS_PER_BLOCK + 1)]
    cut = blocks(items)
    assert [len(block) for block in cut] == [ITEMS_PER_BLOCK, ITEMS_PER_BLOCK, 1]
    assert [item for block in cut for item in block] == items
    assert blocks([]) == []


def test_a_remark_of_the_pipeline_is_an_event(tmp_path: Path) -> None:
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch([Remark(5, "note", "New fuse.")]))
        writer.end_run(run, RunEnd(end_us=9))
    with Log(tmp_path / "van.db") as opened:
        (event,) = opened.events(run)
    assert (event.t_us, event.kind, event.text) == (5, "note", "New fuse.")


def test_a_balance_brings_its_trip_up_to_date_until_it_is_over(tmp_path: Path) -> None:
    so_far = Trip(10, 50, 0, 100.0, 9.0, 1.0, -0.5, None, None, 80.0, 79.5,
                  70.0, 88.0, -0.5)  # fmt: skip
    under_way = replace(CLOSING, t_us=60, trip=so_far, newest_entry=7)
    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        writer.store(run, Batch([under_way]))
        with Log(tmp_path / "van.db") as opened:
            assert opened.trips(run) == [so_far]
            assert (opened.newest_entry(), opened.runs()[0].balance_us) == (7, 60)
        writer.store(run, Batch([TRIP, CLOSING]))
        writer.end_run(run, RunEnd(end_us=125_900_000))
    with Log(tmp_path / "van.db") as opened:
        assert opened.trips(run) == [TRIP]
        assert opened.runs()[0].balance_us == CLOSING.t_us
        assert opened.runs()[0].unmatched_lines == 4


def test_the_minutes_of_a_channel_come_back(log: Log) -> None:
    found = log.minutes(1, "pack.current_a")
    assert [index for index, _ in found] == [0, 2]
    cell = found[0][1]
    assert (cell.n, cell.low, cell.high, cell.last) == (27, -20.5, -1.0, -3.25)
    assert cell.covered_us == 2_700_000
    assert cell.integral == pytest.approx(-21.375)
    assert [index for index, _ in log.minutes(1, "pack.current_a", 1, 5)] == [2]
    assert log.minutes(1, "road.speed_mps") == []


def test_the_newest_second_of_a_run_is_found(log: Log) -> None:
    assert log.last_tick(1) == TICKS[-1]
    assert log.last_tick(99) is None
    assert (log.has_ticks(1), log.has_ticks(99)) == (True, False)


def test_a_long_job_goes_step_by_step_between_batches(tmp_path: Path) -> None:
    ended: list[str] = []

    def job(connection: Connection) -> Iterator[str]:
        try:
            for name in ("first", "second"):
                note = ("note", name)
                connection.execute("BEGIN IMMEDIATE")
                connection.execute(
                    "INSERT OR REPLACE INTO event VALUES (1, 1, ?, ?)",
                    note,
                )
                connection.execute("COMMIT")
                yield name
        finally:
            ended.append(threading.current_thread().name)

    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        steps = writer.work(job)
        assert next(steps) == "first"
        writer.store(run, Batch(TICKS[:1]))
        assert list(steps) == ["second"]
        steps = writer.work(job)
        assert isinstance(steps, Generator)
        next(steps)
        steps.close()
        writer.end_run(run, RunEnd(end_us=9))
    assert [name.split("_")[0] for name in ended] == ["writer", "writer"]


def test_a_step_that_fails_keeps_what_the_earlier_ones_did(tmp_path: Path) -> None:
    def job(connection: Connection) -> Iterator[str]:
        yield "nothing yet"
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO event (run) VALUES (1)")

    with Writer(tmp_path / "van.db") as writer:
        run = writer.begin_run(START)
        steps = writer.work(job)
        assert next(steps) == "nothing yet"
        with pytest.raises(StoreError, match="NOT NULL"):
            next(steps)
        writer.store(run, Batch(TICKS))
        writer.end_run(run, RunEnd(end_us=9))
    with Log(tmp_path / "van.db") as opened:
        assert list(opened.ticks(run)) == TICKS
