"""A log that the first version of the tables wrote is read and written on."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.core.ledger import Total
from logger.core.soc import Count
from logger.core.tick import Cell, Gap, Tick
from logger.decode.frames import Frame
from logger.store.carrying import carried_count
from logger.store.connect import connect_for_writing
from logger.store.export.making import What
from logger.store.migrations import APPLICATION_ID, MIGRATIONS
from logger.store.packed import pack
from logger.store.reader import Log
from logger.store.recording import pack_block
from logger.store.rows import Batch
from logger.store.writer import RunEnd, RunStart, Writer
from tests.edges.export_logs import exported

START_US = 1_700_000_000_000_000
CELL = Cell(9, -20.5, -1.0, -3.25, -7.125, 900_000)
FRAME = Frame(5, 0, "drive", 0x123, False, b"\x01")

RUNS = """
INSERT INTO run (id, recording, recording_sha256, start_us, is_start_sure,
    zero_stamp_us, end_us, program, van_text, descriptions, damaged_lines,
    unmatched_frames, counted_end_pct, sigma_end_pct, moved_end_pct, start_sigma_pct,
    counted_s, unseen_s) VALUES
    (1, 'a.log', 'aa', 1700000000000000, 1, 17, 90000000, 'ampledger 0', '[van]', '{}',
     2, 17, 79.0, 4.5, -1.0, 5.0, 120.0, 6.0),
    (2, 'b.log', 'bb', NULL, 0, 18, 50000000, 'ampledger 0', '[van]', '{}', 0,
     3, NULL, NULL, -2.0, 5.0, 50.0, 0.0),
    (3, 'c.log', 'cc', NULL, 0, 19, NULL, 'ampledger 0', '[van]', '{}', 0,
     0, NULL, NULL, NULL, NULL, NULL, NULL)
"""


@pytest.fixture
def old(tmp_path: Path) -> Iterator[Path]:
    """Return a log of version 1: a whole run, one without a count, a stopped one."""
    path = tmp_path / "old.db"
    with closing(connect_for_writing(path)) as connection:
        (first,) = MIGRATIONS[:1]
        first.make(connection)
        connection.execute("INSERT INTO schema_change VALUES (1, 'all', 1234)")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")
        connection.execute(RUNS)
        connection.execute(
            "INSERT INTO channel VALUES (1, 'pack.current_a', 'A', 'Pack current')"
        )
        connection.execute("INSERT INTO run_total VALUES (1, 1, -35.5, 900000, 7)")
        connection.execute("INSERT INTO gap VALUES (1, 1, 3, 9)")
        connection.execute("INSERT INTO event VALUES (1, 5, 'clock step', 'back')")
        connection.execute(
            "INSERT INTO minute VALUES (1, 0, 1, 9, -20.5, -1.0, -7.5, -3.25, 0.9)"
        )
        connection.execute(
            "INSERT INTO tick VALUES (1, 59, ?)", (pack(10, 90, [(1, CELL)]),)
        )
        connection.execute(
            "INSERT INTO raw_block VALUES (1, 0, 0, 1, ?)", (pack_block([FRAME]),)
        )
    yield path
    # However it was opened: what it holds is sound.
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_reading_an_old_log_leaves_it_as_it_was(old: Path) -> None:
    before = old.read_bytes()
    with Log(old) as log:
        assert len(log.runs()) == 3
    assert old.read_bytes() == before
    assert [file.name for file in old.parent.iterdir()] == ["old.db"]


def all_that_is_in(log: Log) -> None:
    """Hold a log to what the old one was filled with."""
    first, second, third = log.runs()
    assert (first.id, first.damaged_lines, first.unmatched_frames) == (1, 2, 17)
    assert (first.balance_us, first.count) == (
        90_000_000,
        Count(79.0, -1.0, 5.0, 120.0, 6.0),
    )
    assert (second.count, second.unmatched_frames) == (Count(None, -2.0, 5.0, 50.0), 3)
    assert second.unmatched_lines == 0
    assert (third.count, third.balance_us, third.is_stopped_replay) == (
        None,
        None,
        True,
    )
    assert list(log.ticks(1)) == [Tick(59, 10, 90, {"pack.current_a": CELL})]
    assert log.totals(1) == {"pack.current_a": Total(-35.5, 900_000, 7)}
    assert log.gaps(1) == [Gap("pack.current_a", 3, 9)]
    assert [event.kind for event in log.events(1)] == ["clock step"]
    ((minute, cell),) = log.minutes(1, "pack.current_a")
    assert (minute, cell.n, cell.covered_us) == (0, 9, 900_000)
    assert cell.mean == pytest.approx(-7.5)
    assert list(log.raw(1)) == [FRAME]
    assert log.newest_entry() == 0
    rows = log.connection.execute("SELECT channel, unit FROM minute_plain").fetchall()
    assert rows == [("pack.current_a", "A")]


def test_everything_in_an_old_log_is_read(old: Path) -> None:
    with Log(old) as log:
        all_that_is_in(log)


def test_a_writer_brings_an_old_log_up_to_date_and_keeps_everything(old: Path) -> None:
    Writer(old).close()
    with Log(old) as log:
        all_that_is_in(log)
        versions = log.connection.execute(
            "SELECT version FROM schema_change ORDER BY version"
        ).fetchall()
    assert versions == [(each.version,) for each in MIGRATIONS]


def test_the_counts_come_over_with_their_spread(old: Path) -> None:
    Writer(old).close()
    with closing(sqlite3.connect(old)) as connection:
        rows = connection.execute(
            "SELECT run, t_us, counted_pct, sigma_pct, moved_pct, unmatched_lines"
            " FROM balance ORDER BY run"
        ).fetchall()
    assert rows == [
        (1, 90_000_000, 79.0, 4.5, -1.0, 0),
        (2, 50_000_000, None, None, -2.0, 0),
    ]


def test_a_run_goes_on_from_the_count_of_an_old_log(old: Path) -> None:
    with Log(old) as log:
        carried = carried_count(log, START_US + 100_000_000)
    # Ten seconds after the end of the first run, at 90 s.
    assert carried == Count(79.0, -1.0, 5.0, 120.0, 16.0)


def test_a_new_run_is_written_beside_the_old_ones(old: Path) -> None:
    start = RunStart(None, None, START_US, True, 0, "ampledger test", "[van]", {})
    tick = Tick(0, 10, 90, {"pack.current_a": CELL, "road.speed_mps": CELL})
    with Writer(old) as writer:
        run = writer.begin_run(start)
        writer.store(run, Batch([tick]))
        writer.end_run(run, RunEnd(90))
    with Log(old) as log:
        assert list(log.ticks(run)) == [tick]
        assert [each.id for each in log.runs()] == [1, run, 2, 3]


def test_every_export_reads_an_old_log(old: Path) -> None:
    rows = {what: exported(old, what) for what in What}
    # -7.5 A for 0.9 s on 14 November 2023; the second's row is in that minute.
    (entry,) = rows[What.LEDGER]
    assert (entry["day"], entry["account"]) == ("2023-11-14", "pack.current_a")
    assert float(entry["amount"]) == pytest.approx(-7.5 * 0.9 / 3600, abs=1e-6)
    assert [row["last"] for row in rows[What.SIGNALS]] == ["-3.25"]
    assert [row["data_hex"] for row in rows[What.FRAMES]] == ["01"]
