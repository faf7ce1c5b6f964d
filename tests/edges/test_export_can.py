"""Frames in, equal frames out: through our own reader and through python-can's."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from math import floor
from pathlib import Path

import pytest
from can import Message
from can.io.asc import ASCReader
from can.io.blf import BLFReader
from can.io.canutils import CanutilsLogReader
from can.io.trc import TRCReader
from hypothesis import given
from hypothesis import strategies as st

from logger.core.tick import US_PER_S
from logger.decode.frames import Beat, Frame, Line, Raw
from logger.store.export.can_file import (
    CanLog,
    write_asc,
    write_blf,
    write_candump,
    write_trc,
)
from logger.store.export.choice import Choice
from logger.store.export.making import What
from logger.store.reader import Log
from logger.store.writer import Writer
from replay.formats.candump import CandumpRecording
from replay.formats.reading import Progress
from replay.formats.timeline import Timeline
from tests.builders import LAW
from tests.edges.export_logs import date_us, extract_of, record_raw

DATE = "2026-06-22T12:00:00.987654"
FD_SIZES = (12, 16, 20, 24, 32, 48, 64)
BUSES = {"can0": "drive", "usb_can_7": "house"}
"""Bus by interface, as the log's van file has them; a blank cannot stand in a log."""

FRAMES = [
    Frame(0, 0, "drive", 0x7FF, False, b"\x01\x02"),
    Frame(1, 1, "house", 0x1FFFFFFF, True, bytes(8)),
    Frame(999_999, 2, "drive", 0x001, True, b""),
    # Another bus runs back a little, as two adapters do.
    Frame(400_000, 3, "?can9", 0x000, False, b"\xff"),
    Frame(86_399_999_999, 4, "drive", 0x10, False, bytes(range(64))),
]


WRITERS = {".asc": write_asc, ".trc": write_trc, ".log": write_candump}


def extended_or_not() -> st.SearchStrategy[tuple[int, bool]]:
    """Return identifiers of both kinds."""
    standard = st.tuples(st.integers(0, 0x7FF), st.just(False))
    return standard | st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True))


@st.composite
def frame_lists(draw: st.DrawFn) -> list[Frame]:
    """Return up to 30 frames in order of arrival, their stamps nearly rising."""
    t_us, frames = 0, []
    sizes = st.integers(0, 8) | st.sampled_from(FD_SIZES)
    for seq in range(draw(st.integers(0, 30))):
        t_us = max(t_us + draw(st.integers(-900_000, 2_000_000)), 0)
        can_id, is_extended = draw(extended_or_not())
        data = draw(st.binary(min_size=64, max_size=64))[: draw(sizes)]
        bus = draw(st.sampled_from(["drive", "house", "?vcan1"]))
        frames.append(Frame(t_us, seq, bus, can_id, is_extended, data))
    return frames


def logged(path: Path, raw: Sequence[Raw], date: str | None = DATE) -> Path:
    """Return a log of one run that heard these."""
    with Writer(path) as writer:
        record_raw(writer, date, raw)
    return path


@pytest.fixture(scope="module")
def writer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Writer]:
    """Return a writer that stays open: each list of frames becomes a run of its log."""
    with Writer(tmp_path_factory.mktemp("frames") / "van.db") as opened:
        yield opened


def written(log_file: Path, target: Path, choice: Choice | None = None) -> CanLog:
    """Write a CAN log in the form of its name."""
    with Log(log_file) as log:
        made = CanLog(extract_of(log, What.FRAMES, choice or Choice()))
        if target.suffix == ".blf":
            with target.open("wb") as blf:
                write_blf(made, blf)
        else:
            with target.open("w", encoding="utf-8") as text:
                WRITERS[target.suffix](made, text)
    return made


def told(frames: Iterable[Frame], zero_us: int, channels: dict[str, object]) -> list:  # type: ignore[type-arg]
    """Return what a reader should find: stamp in microseconds, channel, frame."""
    return [
        (
            zero_us + f.t_us,
            channels[f.bus],
            f.can_id,
            f.is_extended,
            f.data,
            len(f.data) > 8,
        )
        for f in frames
    ]


def found(messages: Iterable[Message]) -> Iterator[tuple[object, ...]]:
    """Return what a reader of python-can's finds, in the same form."""
    for each in messages:
        assert not each.is_remote_frame
        assert not each.is_error_frame
        yield (
            round(each.timestamp * US_PER_S),
            each.channel,
            each.arbitration_id,
            each.is_extended_id,
            bytes(each.data),
            each.is_fd,
        )


ZERO_US = date_us(DATE)
NAMED: dict[str, object] = {
    "drive": "can0", "house": "usb_can_7", "?can9": "can9", "?vcan1": "vcan1",
}  # fmt: skip
NUMBERED: dict[str, object] = {"drive": 0, "house": 1, "?can9": 2, "?vcan1": 2}
"""python-can counts its channels from 0, the files from 1."""


@LAW
@given(frames=frame_lists())
def test_a_candump_log_gives_the_frames_again(
    writer: Writer, frames: list[Frame]
) -> None:
    run = Choice(record_raw(writer, DATE, frames))
    path, folder = writer.path, writer.path.parent
    written(path, folder / "a.log", run)
    recording = CandumpRecording(folder / "a.log", BUSES, Progress())
    timeline = Timeline()
    again = list(recording.items(timeline))
    assert recording.damage.lines == 0
    assert [(f.bus, f.can_id, f.is_extended, f.data) for f in again] == [
        (f.bus, f.can_id, f.is_extended, f.data) for f in frames
    ]
    with (folder / "a.log").open(encoding="ascii") as text:
        read = list(found(CanutilsLogReader(text)))
    assert read == told(frames, ZERO_US, NAMED)


@LAW
@given(frames=frame_lists())
def test_asc_and_blf_give_the_frames_again(writer: Writer, frames: list[Frame]) -> None:
    run = Choice(record_raw(writer, DATE, frames))
    path, folder = writer.path, writer.path.parent
    written(path, folder / "b.asc", run)
    written(path, folder / "b.blf", run)
    with (folder / "b.blf").open("rb") as blf:
        assert list(found(BLFReader(blf))) == told(frames, ZERO_US, NUMBERED)
    with (folder / "b.asc").open(encoding="utf-8") as asc:
        read = list(found(ASCReader(asc)))
    # Its stamps count from the whole second at which the file begins.
    zero_us = floor(ZERO_US / US_PER_S) * US_PER_S
    expected = told(frames, ZERO_US - zero_us, NUMBERED)
    assert read == expected


@LAW
@given(frames=frame_lists())
def test_trc_gives_the_classic_frames_again(
    writer: Writer, frames: list[Frame]
) -> None:
    run = Choice(record_raw(writer, DATE, frames))
    target = writer.path.parent / "c.trc"
    made = written(writer.path, target, run)
    classic = [frame for frame in frames if len(frame.data) <= 8]
    assert made.longer == len(frames) - len(classic)
    with target.open(encoding="utf-8") as trc:
        read = list(found(TRCReader(trc)))
    expected = told(classic, ZERO_US, NUMBERED)
    assert [row[2:] for row in read] == [row[2:] for row in expected]
    assert [row[1] for row in read] == [int(str(row[1])) + 1 for row in expected]
    # Its date is a fraction of a day, good to a microsecond.
    for row, want in zip(read, expected, strict=True):
        assert abs(int(str(row[0])) - int(str(want[0]))) <= 1


def test_a_trc_log_counts_what_it_cannot_tell_and_names_no_folder(
    tmp_path: Path,
) -> None:
    made = written(logged(tmp_path / "van.db", FRAMES), tmp_path / "x.trc")
    assert made.longer == 1
    assert made.notes() == [
        "Frames of more than 8 bytes have no place in a TRC log (1 here); "
        "candump, asc and blf have them."
    ]
    assert str(tmp_path) not in (tmp_path / "x.trc").read_text(encoding="utf-8")


def test_an_asc_log_tells_its_date_in_local_time(tmp_path: Path) -> None:
    written(logged(tmp_path / "van.db", FRAMES), tmp_path / "x.asc")
    with (tmp_path / "x.asc").open(encoding="utf-8") as asc:
        read = list(found(ASCReader(asc, relative_timestamp=False)))
    numbered = told(FRAMES, ZERO_US, NUMBERED)
    assert read == numbered
    text = (tmp_path / "x.asc").read_text(encoding="utf-8")
    assert "// channel 3 is can9\n" in text


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf"])
def test_a_run_without_a_date_keeps_its_own_clock_s_stamps(
    tmp_path: Path, suffix: str
) -> None:
    path = logged(tmp_path / "van.db", FRAMES, None)
    target = tmp_path / f"x{suffix}"
    written(path, target)
    if suffix == ".blf":
        with target.open("rb") as blf:
            read = list(found(BLFReader(blf)))
    else:
        reader = ASCReader if suffix == ".asc" else CanutilsLogReader
        with target.open(encoding="utf-8") as text:
            read = list(found(reader(text)))
    assert read == told(FRAMES, 0, NAMED if suffix == ".log" else NUMBERED)


def test_a_range_takes_the_frames_of_its_time(tmp_path: Path) -> None:
    raw = [Frame(i * 1000, i, "drive", i, False, b"") for i in range(5000)]
    path = logged(tmp_path / "van.db", raw)
    choice = Choice(None, ZERO_US + 1_000_000, ZERO_US + 1_003_000)
    written(path, tmp_path / "x.log", choice)
    text = (tmp_path / "x.log").read_text(encoding="ascii")
    assert text.splitlines() == [
        "(1782129601.987654) can0 3E8# R",
        "(1782129601.988654) can0 3E9# R",
        "(1782129601.989654) can0 3EA# R",
    ]


def test_what_has_no_place_in_a_can_log_is_counted(tmp_path: Path) -> None:
    raw: list[Raw] = [Line(1, 0, "meter", b"x"), FRAMES[0], Beat(3, 2)]
    made = written(logged(tmp_path / "van.db", raw), tmp_path / "x.log")
    assert made.others == 1
    assert made.notes() == [
        "Lines and entries have no place in a CAN log (1 here); "
        "the format csv has them."
    ]
    assert written(logged(tmp_path / "b.db", []), tmp_path / "y.log").notes() == []


def test_channels_are_numbered_in_the_order_of_the_van_file(tmp_path: Path) -> None:
    raw = [replace(FRAMES[i], seq=seq) for seq, i in enumerate((3, 1, 0))]
    made = written(logged(tmp_path / "van.db", raw), tmp_path / "x.asc")
    assert made.channels.numbers == {"can0": 1, "usb_can_7": 2, "can9": 3}
