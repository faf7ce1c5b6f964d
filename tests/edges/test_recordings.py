"""Recordings as they are found in the field: damaged, undated, cut off, stepped."""

import gzip
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.frames import Frame, Row
from logger.errors import RecordingError
from logger.pipeline.chain import Pipeline
from logger.pipeline.spec import Balance
from logger.van.reading import Van, read_van
from replay.formats.candump import CandumpRecording, looks_like_candump
from replay.formats.opening import open_recording
from replay.formats.reading import Progress
from replay.formats.tables import TableRecording
from replay.formats.timeline import Timeline
from replay.player import cue

VAN = """
[van]
name = "Test van"

[[bus]]
name = "drive"
interface = "can0"

[[table]]
name = "seconds"
time = "t_s"
missing = ["n/a"]

[[table]]
name = "dated"
time = ["day", "clock"]
time_format = "%d.%m.%Y %H:%M:%S"
time_zone = "Europe/Lisbon"
delimiter = ";"
encoding = "latin-1"

[[table]]
name = "iso"
time = "when"
time_format = "iso"

[[feed]]
channel = "pack.current_a"
table = "seconds"
column = "amps"

[[feed]]
channel = "pack.voltage_v"
table = "seconds"
column = "volts"

[[feed]]
channel = "ambient.temperature_degc"
table = "dated"
column = "Temp °C"

[[feed]]
channel = "road.speed_mps"
table = "iso"
column = "speed"
"""


@pytest.fixture(scope="module")
def van(tmp_path_factory: pytest.TempPathFactory) -> Van:
    path = tmp_path_factory.mktemp("van") / "van.toml"
    path.write_text(VAN)
    return read_van(path)


def candump(folder: Path, text: str) -> CandumpRecording:
    """Return a CAN log of that text."""
    path = folder / "drive.log"
    path.write_text(text)
    return CandumpRecording(path, {"can0": "drive"}, Progress())


def rows(path: Path, van: Van) -> tuple[list[Row], TableRecording, Timeline]:
    """Return the rows of a CSV file."""
    recording, timeline = open_recording(path, van, Progress()), Timeline()
    assert isinstance(recording, TableRecording)
    return list(recording.items(timeline)), recording, timeline


# The first three lines are read by can-utils 2020.11.0 (log2asc); python-can writes the
# direction mark at the end.
GOOD = """(1700000000.123456) can0 1806E5F4#0E1001F400000000
(1700000000.500000) can0 123#1122
(1700000000.600000) can0 123#R
(1700000000.700000) can1 7FF# R
(1700000000.800000) can0 20000004#0000000000000000
(1700000000.900000) can0 123##1AABBCC
"""


def test_frames_of_all_kinds_are_told_apart(tmp_path: Path) -> None:
    recording = candump(tmp_path, GOOD)
    assert list(recording.items(Timeline())) == [
        Frame(0, 0, "drive", 0x1806E5F4, True, bytes.fromhex("0E1001F400000000")),
        Frame(376_544, 1, "drive", 0x123, False, bytes.fromhex("1122")),
        Frame(576_544, 2, "?can1", 0x7FF, False, b""),
        Frame(776_544, 3, "drive", 0x123, False, bytes.fromhex("AABBCC")),
    ]
    assert recording.damage.lines == 0
    assert recording.damage.notes == [
        "1 remote frames were skipped.",
        "1 error frames were skipped.",
    ]


@pytest.mark.parametrize(
    "line",
    [
        "(1700000000.5) can0 123#11223",
        "(1700000000.5) can0 1234#1122",
        "(1700000000.5) can0",
        "1700000000.5 can0 123#1122",
        "(17000000x0.5) can0 123#1122",
        "(1700000000.5) can0 123#GG",
        "(1700000000.5) can0 123#112233445566778899",
        "(nan) can0 123#11",
        "(999999999999.000000) can0 123#11",
        f"(1700000000.5) {'x' * 300} 123#11",
        "\x00\xff\x00",
    ],
)
def test_a_damaged_line_is_counted_and_skipped(line: str, tmp_path: Path) -> None:
    good = GOOD.splitlines()
    recording = candump(tmp_path, "\n".join([good[0], line, good[1], ""]))
    assert len(list(recording.items(Timeline()))) == 2
    assert recording.damage.lines == 1


@given(text=st.text(max_size=200))
def test_no_line_makes_the_reader_raise(
    text: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("noise")
    noise = text.encode("utf-8", errors="replace").decode("utf-8")
    recording = candump(folder, f"{noise}\n{GOOD}{noise}")
    assert len(list(recording.items(Timeline()))) >= 3


def test_a_log_that_breaks_off_is_read_to_the_break(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    whole = gzip.compress((GOOD * 2000).encode(), mtime=0)
    path.write_bytes(whole[: len(whole) // 2])
    recording = CandumpRecording(path, {}, Progress())
    count = len(list(recording.items(Timeline())))
    assert 0 < count < 8000
    assert any("breaks off" in note for note in recording.damage.notes)


def test_a_line_without_an_end_does_not_fill_the_memory(tmp_path: Path) -> None:
    recording = candump(tmp_path, GOOD + "x" * (16 << 20))
    assert len(list(recording.items(Timeline()))) == 4
    assert recording.damage.lines == 16  # pieces of 1 MiB


def test_progress_ends_at_the_size_of_the_file(tmp_path: Path) -> None:
    recording = candump(tmp_path, GOOD)
    list(recording.items(Timeline()))
    assert recording.progress.done_bytes == recording.path.stat().st_size


def test_a_table_is_known_by_its_header(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    path.write_text("﻿t_s, amps ,volts\r\n0,1.5,n/a\r\n0.5,,300\r\n", "utf-8")
    got, recording, timeline = rows(path, van)
    assert got == [
        Row(0, 0, "seconds", ("1.5", None)),
        Row(500_000, 1, "seconds", (None, "300")),
    ]
    assert recording.damage.lines == 0
    assert not timeline.is_dated


def test_dates_are_taken_in_the_zone_of_the_table(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    # An impossible day beside a good time of day: the row is skipped.
    text = "day;clock;Temp °C\n28.06.2024;10:02:15;21\n90.02.2032;10:02:16;21\n"
    path.write_bytes(text.encode("latin-1"))
    got, recording, timeline = rows(path, van)
    assert len(got) == recording.damage.lines == 1
    # Lisbon is one hour ahead of UTC in summer: 09:02:15Z, by `date -u -d`.
    assert timeline.zero_stamp_us == 1_719_565_335_000_000
    assert timeline.is_dated


def test_iso_dates_keep_their_own_zone(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    path.write_text("when,speed\n2024-06-28T10:02:15+02:00,1\n2024-06-28T08:02:16Z,2\n")
    got, _, timeline = rows(path, van)
    assert [row.t_us for row in got] == [0, 1_000_000]
    assert timeline.zero_stamp_us == 1_719_561_735_000_000


def test_a_quote_that_is_never_closed_costs_one_row(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    text = [f"{t},1,2" for t in range(3000)]
    text[100] = '100,"10,50'
    path.write_text("\n".join(["t_s,amps,volts", *text]))
    got, recording, _ = rows(path, van)
    assert (len(got), recording.damage.lines) == (2999, 1)


def test_a_header_with_an_open_quote_is_no_table(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    path.write_text('"' + "t_s,amps,volts\n" * 40_000)
    with pytest.raises(RecordingError):
        open_recording(path, van, Progress())


def test_a_wide_table_with_blank_lines_before_it_is_read(
    tmp_path: Path, van: Van
) -> None:
    path = tmp_path / "record.csv"
    more = ",".join(f"column{i}" for i in range(12_000))
    path.write_text(f"\n\n{more},t_s,amps\n{',' * 11_999},7,1.5\n")
    got, _, _ = rows(path, van)
    assert [row.cells for row in got] == [("1.5", None)]


def test_a_doubled_column_is_told(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    path.write_text("t_s,amps,amps,volts\n0,1,2,3\n")
    got, recording, _ = rows(path, van)
    assert got[0].cells == ("1", "3")
    assert recording.damage.notes == [
        "The table has several columns 'amps'; the first is used."
    ]


def test_decimal_commas_are_read_where_the_table_says_so(tmp_path: Path) -> None:
    path = tmp_path / "van.toml"
    text = VAN.replace('missing = ["n/a"]', 'delimiter = ";"\ndecimal = ","')
    path.write_text(text)
    record = tmp_path / "record.csv"
    record.write_text("t_s;amps;volts\n0,5;-1,25;3\n")
    got, _, timeline = rows(record, read_van(path))
    assert got[0].cells == ("-1.25", "3")
    assert timeline.zero_stamp_us == 500_000


@pytest.mark.parametrize(
    "row", ["1_0,1,2", "x,1,2", "nan,1,2", "inf,1,2", "1", "1,2,3,4", "1e99,,"]
)
def test_a_damaged_row_is_counted_and_skipped(
    row: str, tmp_path: Path, van: Van
) -> None:
    path = tmp_path / "record.csv"
    path.write_text(f"t_s,amps,volts\n0,1,2\n{row}\n2,3,4\n")
    got, recording, _ = rows(path, van)
    assert len(got) == 2
    assert recording.damage.lines == 1


def test_a_missing_column_is_told(tmp_path: Path, van: Van) -> None:
    path = tmp_path / "record.csv"
    path.write_text("t_s,amps\n0,1\n")
    got, recording, _ = rows(path, van)
    assert got == [Row(0, 0, "seconds", ("1", None))]
    assert recording.damage.notes == ["The table has no column 'volts'."]


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "t_s\n1\n"])
def test_a_file_that_no_table_describes_is_refused(
    text: str, tmp_path: Path, van: Van
) -> None:
    path = tmp_path / "record.csv"
    path.write_text(text)
    with pytest.raises(RecordingError, match="t_s, amps, volts"):
        open_recording(path, van, Progress())


def test_a_recording_without_one_readable_row_is_refused(
    tmp_path: Path, van: Van
) -> None:
    path = tmp_path / "record.csv"
    path.write_text("t_s,amps,volts\n")
    with pytest.raises(RecordingError, match="no readable line"):
        cue(open_recording(path, van, Progress()))


def test_a_log_is_known_though_its_first_lines_are_damaged(
    tmp_path: Path, van: Van
) -> None:
    path = tmp_path / "anything"
    path.write_text("half a line\n" + GOOD)
    assert isinstance(open_recording(path, van, Progress()), CandumpRecording)
    assert not looks_like_candump("half a line")


def test_stamps_that_run_back_a_little_stay_as_they_are() -> None:
    timeline = Timeline()
    placed = [timeline.place(stamp) for stamp in (5_000_000, 5_500_000, 5_478_000)]
    assert placed == [0, 500_000, 478_000]
    assert timeline.steps == []


@pytest.mark.parametrize("step_s", [-3600, -10 * 365 * 86_400, 10 * 365 * 86_400])
def test_a_step_of_the_clock_becomes_no_time(step_s: int) -> None:
    timeline = Timeline()
    start = 1_700_000_000_000_000
    stamps = [start, start + 1_000_000]
    stamps += [stamps[-1] + step_s * 1_000_000, stamps[-1] + (step_s + 1) * 1_000_000]
    assert [timeline.place(stamp) for stamp in stamps] == [
        0,
        1_000_000,
        1_000_000,
        2_000_000,
    ]
    assert [step.step_us for step in timeline.steps] == [step_s * 1_000_000]


def test_two_interfaces_may_have_two_clocks() -> None:
    # The second one's clock is 3 s ahead; both tick at 10 Hz for 10 s.
    timeline = Timeline()
    start = 1_700_000_000_000_000
    first, second = [], []
    for i in range(101):
        first.append(timeline.place(start + i * 100_000, "can0"))
        second.append(timeline.place(start + i * 100_000 + 3_000_000, "can1"))
    assert first == [i * 100_000 for i in range(101)]
    assert second == [i * 100_000 + 3_000_000 for i in range(101)]
    assert timeline.steps == []


def test_an_interface_that_counts_from_elsewhere_begins_where_it_is_heard() -> None:
    timeline = Timeline()
    assert timeline.place(1_700_000_000_000_000, "can0") == 0
    assert timeline.place(1_700_000_002_000_000, "can0") == 2_000_000
    assert timeline.place(5_000_000, "can1") == 2_000_000
    assert timeline.place(6_000_000, "can1") == 3_000_000
    assert timeline.steps == []


def test_a_clock_that_leaps_ahead_and_comes_back_adds_no_time() -> None:
    # Every tenth of 100 stamps at 10 Hz is 4 s ahead.
    timeline = Timeline()
    placed = [
        timeline.place(i * 100_000 + (4_000_000 if i % 10 == 5 else 0))
        for i in range(100)
    ]
    true_us = [i * 100_000 for i in range(100)]
    assert [p for i, p in enumerate(placed) if i % 10 != 5] == [
        t for i, t in enumerate(true_us) if i % 10 != 5
    ]
    assert timeline.newest_us == 9_500_000 + 4_000_000


def test_one_stamp_an_hour_ahead_costs_no_charge(tmp_path: Path, van: Van) -> None:
    # -36 A for 3000 s is -30 Ah; only the two seconds beside the stamp are not seen.
    path = tmp_path / "record.csv"
    text = [f"{t + (3600 if t == 100 else 0)},-36,400" for t in range(3000)]
    path.write_text("\n".join(["t_s,amps,volts", *text]))
    got, _, timeline = rows(path, van)
    closing = Pipeline(van.spec)
    closing.feed(got)
    total = next(o for o in closing.finish() if isinstance(o, Balance)).totals
    charge_ah = total["pack.current_a"].integral / 3600
    assert charge_ah == pytest.approx(-30.0, abs=0.05)
    assert [step.step_us for step in timeline.steps] == [-3_599_000_000]


def test_a_clock_that_was_ahead_for_long_is_set_back_once() -> None:
    timeline = Timeline()
    ahead = [timeline.place(t * 1_000_000) for t in (0, 60, *range(61, 90))]
    assert ahead[-1] == 89_000_000
    # Half a minute later the clock is set back by 60 s: no time is counted twice.
    assert timeline.place(30_000_000) == 89_000_000
    assert timeline.place(31_000_000) == 90_000_000
    assert [step.step_us for step in timeline.steps] == [-59_000_000]


@given(st.lists(st.integers(min_value=-(10**15), max_value=10**16), max_size=50))
def test_no_stamps_make_time_negative_or_jump_a_day(stamps: list[int]) -> None:
    timeline = Timeline()
    newest = 0
    for stamp in stamps:
        t_us = timeline.place(stamp)
        assert 0 <= t_us <= newest + 86_400_000_000
        newest = max(newest, t_us)


def test_any_noise_in_a_table_is_survived(tmp_path: Path, van: Van) -> None:
    noise = random.Random(5)  # the same noise every time
    path = tmp_path / "record.csv"
    body = bytes(noise.randrange(256) for _ in range(20_000))
    path.write_bytes(b"t_s,amps,volts\n0,1,2\n" + body + b"\n3,4,5\n")
    got, recording, _ = rows(path, van)
    assert got[0].cells == ("1", "2")
    assert recording.damage.lines > 0
