"""What is exported row by row: numbers, ranges, frames as a table, places."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.frames import Beat, Entry, Frame, Line, Raw
from logger.store.export.choice import Choice, Part, chosen, one_clock
from logger.store.export.making import What
from logger.store.export.sheet import Column, number_text, rounded, teller
from logger.store.reader import Log
from logger.store.writer import Writer
from tests.builders import LAW
from tests.edges.export_logs import (
    Curve,
    always,
    date_us,
    exported,
    record,
    record_raw,
)

DATE = "2026-06-22T12:00:00"


@LAW
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_is_told_exactly_and_without_an_exponent(value: float) -> None:
    told = number_text(value)
    assert float(told) == value
    assert set(told) <= set("-.0123456789")


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (0.1 + 0.2, "0.30000000000000004"),  # 17 digits: 15 would give 0.3
        (5e-7, "0.0000005"),
        (1e22, "10000000000000000000000"),
        (-100.0, "-100"),
        (7, "7"),
    ],
)
def test_numbers_are_told_in_full(value: float, told: str) -> None:
    assert teller(Column("mean"))(value) == told


@LAW
@given(st.floats(-1e9, 1e9), st.integers(0, 6))
def test_a_table_of_values_has_the_values_of_its_texts(value: float, n: int) -> None:
    column = Column("mean", digits=n)
    assert rounded(column)(value) == float(teller(column)(value))


def test_what_is_not_known_is_an_empty_cell() -> None:
    for digits in (None, 3):
        assert teller(Column("used_wh", digits=digits))(None) == ""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Return a log of three runs of a minute: 12:00, 13:00, and without a date."""
    path = tmp_path / "van.db"
    curves: dict[str, Curve] = {"house.power_w": always(100.0)}
    with Writer(path) as writer:
        for date in ("2026-06-22T13:00:00", "2026-06-22T12:00:00", None):
            record(writer, date, 60.0, curves)
    return path


def test_runs_come_in_order_of_date_and_those_without_one_last(log: Path) -> None:
    rows = exported(log, What.SIGNALS)
    assert [row["run"] for row in rows] == ["2"] * 13 + ["1"] * 13 + ["3"] * 13
    assert rows[0]["t_utc"] == "2026-06-22T12:00:00.000Z"
    assert (rows[-1]["t_utc"], rows[-1]["t_s"]) == ("", "60.000000")


def test_a_range_is_half_open_and_leaves_out_what_has_no_date(log: Path) -> None:
    first, last = date_us("2026-06-22T12:00:10"), date_us("2026-06-22T12:00:20")
    rows = exported(log, What.SIGNALS, Choice(None, first, last))
    assert [row["t_utc"][-13:] for row in rows] == ["12:00:10.000Z", "12:00:15.000Z"]
    with Log(log) as opened:
        found = chosen(opened, Choice(None, first, last))
    assert [part.run.id for part in found.parts] == [2]
    assert found.notes == ("Run 3 has no date and is left out.",)


def test_one_run_alone_is_exported_when_asked(log: Path) -> None:
    rows = exported(log, What.SIGNALS, Choice(3))
    assert {row["run"] for row in rows} == {"3"}
    assert len(rows) == 13


@pytest.mark.parametrize("what", What)
def test_two_ranges_that_meet_hold_everything_once(what: What, log: Path) -> None:
    with Writer(log) as writer:
        frames: list[Raw] = [
            Frame(i * 10**6, i, "drive", 1, False, b"") for i in range(60)
        ]
        record_raw(writer, DATE, frames)
        curves: dict[str, Curve] = {
            "pack.current_a": always(10.0),
            "pack.voltage_v": always(30.0),
            "charger.a.dc_power_w": always(300.0),
            "sun.roof.power_w": always(30.0),
            "gps.latitude_deg": always(45.0),
            "gps.longitude_deg": always(-70.0),
            "pack.soc_pct": always(50.0),
        }
        record(writer, "2026-06-22T11:59:40", 300.0, curves)
    cut_us = date_us("2026-06-22T12:01:00")
    whole = exported(log, what, Choice(None, date_us("2026-06-01T00:00:00")))
    parts = exported(log, what, Choice(None, None, cut_us))
    parts += exported(log, what, Choice(None, cut_us))
    if what in (What.LEDGER, What.SUN):  # the day of the cut has a row in both
        return
    assert len(whole) > 0
    key = ("run", "t_utc") if "run" in whole[0] else ("t_utc", "t_s")
    assert sorted(parts, key=lambda r: [r.get(k, "") for k in (*key, "channel")]) == (
        sorted(whole, key=lambda r: [r.get(k, "") for k in (*key, "channel")])
    )


def test_what_is_no_longer_kept_is_said(log: Path) -> None:
    with closing(sqlite3.connect(log)) as opened:
        opened.execute("INSERT INTO shed VALUES (2, 'seconds', 30000000)")
        opened.execute("INSERT INTO shed VALUES (3, 'seconds', 30000000)")
        opened.commit()
    with Log(log) as opened_log:
        notes = chosen(opened_log, Choice(), "seconds").notes
        late = Choice(None, date_us("2026-06-22T12:00:40"))
        of_frames = chosen(opened_log, Choice(), "frames").notes
        late_notes = chosen(opened_log, late, "seconds").notes
    assert notes == (
        "Run 2: seconds until 2026-06-22T12:00:30.000Z are not all kept any more.",
        "Run 3: seconds until second 30 are not all kept any more.",
    )
    assert of_frames == ()
    assert late_notes == ("Run 3 has no date and is left out.",)


def test_frames_lines_and_entries_are_rows_in_order_of_arrival(tmp_path: Path) -> None:
    entry = Entry(9, 3, 17, "note", "café", value=-0.5)
    raw: list[Raw] = [
        Frame(5, 0, "drive", 0x123, False, bytes([0, 255])),
        Line(1_500_007, 1, "meter", b"V\t12.5"),
        Frame(7, 2, "house", 0x1ABCDEF, True, b""),
        entry,
        Beat(10, 4),
    ]
    with Writer(tmp_path / "van.db") as writer:
        record_raw(writer, DATE, raw)
    first, line, second, told = exported(tmp_path / "van.db", What.FRAMES)
    assert list(first.values()) == [
        "2026-06-22T12:00:00.000Z", "1782129600.000005", "1", "0", "frame", "drive",
        "123", "0", "00ff",
    ]  # fmt: skip
    assert line["t_s"] == "1782129601.500007"
    assert (line["kind"], line["source"], line["frame_id"]) == ("line", "meter", "")
    assert bytes.fromhex(line["data_hex"]) == b"V\t12.5"
    assert (second["frame_id"], second["is_extended"]) == ("01ABCDEF", "1")
    assert second["data_hex"] == ""
    text = json.loads(bytes.fromhex(told["data_hex"]))
    assert (told["kind"], told["source"]) == ("entry", "desk")
    assert text == {
        "number": 17, "kind": "note", "text": "café", "channel": "", "value": -0.5,
    }  # fmt: skip


def test_a_can_log_holds_the_runs_of_one_clock(tmp_path: Path, log: Path) -> None:
    with Log(log) as opened:
        mixed = one_clock(chosen(opened, Choice()))
    assert [part.run.id for part in mixed.parts] == [2, 1]
    assert mixed.notes == (
        "Run 3 has no date and is left out: a CAN log has one clock. "
        "Give it a file of its own with --run 3.",
    )
    path = tmp_path / "undated.db"
    with Writer(path) as writer:
        for _ in range(2):
            record_raw(writer, None, [])
    with Log(path) as opened:
        undated = one_clock(chosen(opened, Choice()))
    assert [part.run.id for part in undated.parts] == [1]
    assert len(undated.notes) == 1


def test_places_have_a_fix_and_break_off_where_it_is_lost(tmp_path: Path) -> None:
    # No fix from 20 s on until before 40 s; silence from 60 s on until before 90 s.
    def heard(curve: Curve) -> Curve:
        return lambda t_s: None if 60 <= t_s < 90 else curve(t_s)

    curves: dict[str, Curve] = {
        "gps.latitude_deg": heard(lambda t_s: 45.0 + t_s * 1e-5),
        "gps.longitude_deg": heard(lambda t_s: -70.0 - t_s * 1e-5),
        "gps.altitude_m": heard(lambda t_s: 12.5 if t_s < 50 else None),
        "gps.fix": heard(lambda t_s: 0.0 if 20 <= t_s < 40 else 1.0),
    }
    with Writer(tmp_path / "van.db") as writer:
        record(writer, DATE, 120.0, curves, 1.0)
    rows = exported(tmp_path / "van.db", What.PLACES)
    seconds = [float(row["t_s"]) - 1782129600 for row in rows]
    assert seconds == [*range(20), *range(40, 60), *range(90, 121)]
    assert [row["stretch"] for row in rows] == ["1"] * 20 + ["2"] * 20 + ["3"] * 31
    assert (rows[1]["latitude_deg"], rows[1]["longitude_deg"]) == (
        "45.00001",
        "-70.00001",
    )
    assert (rows[0]["altitude_m"], rows[-1]["altitude_m"]) == ("12.5", "")
    assert (rows[0]["speed_mps"], rows[0]["dilution_ratio"]) == ("", "")


def test_a_fix_that_is_no_longer_told_is_none(tmp_path: Path) -> None:
    curves: dict[str, Curve] = {
        "gps.latitude_deg": always(1.0),
        "gps.longitude_deg": always(2.0),
        "gps.fix": lambda t_s: 1.0 if t_s <= 10 else None,
    }
    with Writer(tmp_path / "van.db") as writer:
        record(writer, None, 30.0, curves, 1.0)
        record(writer, None, 30.0, dict(list(curves.items())[:2]), 1.0)
    rows = exported(tmp_path / "van.db", What.PLACES)
    # Up to 5 s behind its last word; a receiver that never says it is believed.
    assert [row["run"] for row in rows] == ["1"] * 16 + ["2"] * 31


def test_a_part_may_begin_before_its_run(log: Path) -> None:
    with Log(log) as opened:
        part = Part(opened.runs()[0], -5, 10)
    assert [part.holds(t_us) for t_us in (-6, -5, 9, 10)] == [False, True, True, False]
    assert part.of_length(10**6) == (0, 0)
