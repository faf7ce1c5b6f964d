"""The files that `ampledger export` writes: form, place, and what is refused."""

import csv
import os
import pty
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from datetime import date, datetime
from pathlib import Path

import pyarrow.parquet
import pytest

from logger.clock import Clock
from logger.commands.progress import shown
from logger.decode.frames import Frame, Line
from logger.store.export.making import What
from logger.store.export.parquet_file import ROWS_A_GROUP
from logger.store.writer import Writer
from tests.edges.export_logs import Curve, always, record, record_raw
from tests.running import COMMAND, ampledger

DATE = "2026-06-22T12:00:00"
GPX = "{http://www.topografix.com/GPX/1/1}"
ORDER = {
    "trk": ("name", "cmt", "desc", "src", "link", "number", "type", "extensions",
            "trkseg"),
    "trkpt": ("ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src",
              "link", "sym", "type", "fix", "sat", "hdop", "vdop", "pdop"),
}  # fmt: skip
"""The sequences of trkType and wptType in the schema of that namespace."""


def heard(t_s: float) -> bool:
    """Return whether the receiver spoke: it was silent for half a minute."""
    return not 60 <= t_s < 90


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log with something of everything: a dated run, one without, frames."""
    path = tmp_path_factory.mktemp("log") / "van.db"
    curves: dict[str, Curve] = {
        "gps.latitude_deg": lambda t_s: 44.0 + t_s * 1e-7 if heard(t_s) else None,
        "gps.longitude_deg": lambda t_s: 180.0 if heard(t_s) else None,
        "gps.altitude_m": lambda t_s: -3.25 if heard(t_s) else None,
        "gps.satellites_count": lambda t_s: 9.0 if heard(t_s) else None,
        "gps.dilution_ratio": lambda t_s: 0.8 if heard(t_s) else None,
        "charger.a.dc_power_w": always(1000.0 / 3.0),
        "sun.roof.power_w": always(30.0),
        "pack.current_a": always(10.1),
        "pack.voltage_v": always(30.3),
        "pack.soc_pct": always(51.2),
    }
    with Writer(path) as writer:
        record(writer, DATE, 120.0, curves, 1.0)
        record(writer, None, 20.0, curves, 1.0)
        frames = [Frame(i, i, "drive", i, bool(i % 2), bytes([i])) for i in range(9)]
        record_raw(writer, "2026-06-22T13:00:00", [*frames, Line(9, 9, "meter", b"x")])
    return path


def test_a_track_is_gpx_1_1(log: Path, tmp_path: Path) -> None:
    target = tmp_path / "way.gpx"
    ran = ampledger("export", log, "places", "--output", target)
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    root = ET.parse(target).getroot()
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert (root.get("creator") or "").startswith("ampledger ")
    assert {child.tag for child in root} == {f"{GPX}trk"}
    for element in root.iter():
        known = ORDER.get(element.tag.removeprefix(GPX), ("trk", "trkpt"))
        places = [known.index(child.tag.removeprefix(GPX)) for child in element]
        assert places == sorted(places)
    for point in root.iter(f"{GPX}trkpt"):
        assert -90 <= float(point.attrib["lat"]) <= 90
        assert -180 <= float(point.attrib["lon"]) < 180


def test_a_track_has_a_segment_a_row_and_times_where_there_is_a_date(log: Path) -> None:
    ran = ampledger("export", log, "places", "--format", "gpx")
    dated, undated = ET.fromstring(ran.out).findall(f"{GPX}trk")
    segments = [len(each) for each in dated.findall(f"{GPX}trkseg")]
    assert segments == [60, 31]
    assert (dated.findtext(f"{GPX}name"), dated.findtext(f"{GPX}number")) == (
        "Run 1",
        "1",
    )
    first = next(dated.iter(f"{GPX}trkpt"))
    assert first.attrib == {"lat": "44", "lon": "-180"}
    told = {child.tag.removeprefix(GPX): child.text for child in first}
    assert told == {
        "ele": "-3.25", "time": "2026-06-22T12:00:00.000Z", "sat": "9", "hdop": "0.8",
    }  # fmt: skip
    assert [len(each) for each in undated.findall(f"{GPX}trkseg")] == [21]
    assert undated.find(f".//{GPX}time") is None


def cell(value: object) -> str:
    """Return a value of a Parquet file as CSV tells it, but for trailing zeros."""
    match value:
        case None:
            return ""
        case datetime():
            return value.strftime("%Y-%m-%dT%H:%M:%S.") + f"{value.microsecond:06}"[:3]
        case date():
            return value.isoformat()
        case float():
            return repr(value)
        case _:
            return str(value)


@pytest.mark.parametrize("what", [each.value for each in What])
def test_parquet_has_the_values_of_the_csv(
    what: str, log: Path, tmp_path: Path
) -> None:
    text, packed = tmp_path / "x.csv", tmp_path / "x.parquet"
    assert ampledger("export", log, what, "--output", text).code == 0
    assert ampledger("export", log, what, "--output", packed).code == 0
    with text.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    table = pyarrow.parquet.read_table(packed)
    assert table.column_names == header
    assert len(rows) > 0
    values = zip(*(column.to_pylist() for column in table.columns), strict=True)
    for row, found in zip(rows, values, strict=True):
        for told, value in zip(row, found, strict=True):
            if isinstance(value, float):
                assert float(told) == value
            else:
                assert told.removesuffix("Z") == cell(value)


def test_parquet_is_written_in_row_groups(log: Path, tmp_path: Path) -> None:
    path = tmp_path / "long.db"
    with Writer(path) as writer:
        frames = [Frame(i, i, "drive", 1, False, b"") for i in range(ROWS_A_GROUP + 7)]
        record_raw(writer, DATE, frames)
    target = tmp_path / "x.parquet"
    assert ampledger("export", path, "frames", "--output", target).code == 0
    found = pyarrow.parquet.ParquetFile(target)
    sizes = [found.metadata.row_group(i).num_rows for i in range(found.num_row_groups)]
    found.close()
    assert sizes == [ROWS_A_GROUP, 7]


def test_without_the_library_it_is_said_how_to_install_it(
    log: Path, tmp_path: Path
) -> None:
    code = (
        "import sys; sys.modules['pyarrow'] = None; "
        "from logger.commands.group import main; main()"
    )
    target = tmp_path / "x.parquet"
    done = subprocess.run(
        [sys.executable, "-c", code, "export", log, "trips", "--output", target],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "pip install 'ampledger[parquet]'" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_other_exports_do_without_the_large_libraries(log: Path) -> None:
    code = (
        "import sys; from logger.commands.group import group; "
        f"group.main(['export', {str(log)!r}, 'trips'], standalone_mode=False); "
        "print({'pyarrow', 'can', 'numpy'} & set(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stderr == "set()\n"


def test_a_can_log_goes_to_the_terminal_and_says_what_it_leaves_out(log: Path) -> None:
    ran = ampledger("export", log, "frames", "--format", "candump")
    assert ran.code == 0
    assert ran.out.splitlines()[:2] == [
        "(1782133200.000000) can0 000#00 R",
        "(1782133200.000001) can0 00000001#01 R",
    ]
    assert ran.err.splitlines() == [
        "Run 2 has no date and is left out: a CAN log has one clock. "
        "Give it a file of its own with --run 2.",
        "Lines and entries have no place in a CAN log (1 here); "
        "the format csv has them.",
    ]
    ran = ampledger("export", log, "frames", "--format", "asc", "--run", "3")
    assert ran.out.endswith("End TriggerBlock\n")
    assert ran.err.splitlines()[:2] == ["Channel 1 is can0.", "Channel 2 is usb_can_7."]


def test_a_range_is_meant_in_the_van_s_own_zone(log: Path) -> None:
    # 12:00 UTC is 08:00 in New York.
    for first, last in (
        ("2026-06-22T08:00:10", "2026-06-22T08:00:12"),
        ("2026-06-22T12:00:10Z", "2026-06-22T14:00:12+02:00"),
    ):
        words = (
            "signals",
            "--channel",
            "pack.voltage_v",
            "--from",
            first,
            "--to",
            last,
        )
        ran = ampledger("export", log, *words)
        assert ran.err == "Run 2 has no date and is left out.\n"
        assert re.findall(r"^\S{20}", ran.out, re.MULTILINE)[1:] == [
            "2026-06-22T12:00:10.",
            "2026-06-22T12:00:11.",
        ]


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("trips", "--format", "gpx"), 2, "gpx goes with places only"),
        (("signals", "--format", "blf"), 2, "blf goes with frames only"),
        (("trips", "--output", "x.log"), 2, "candump goes with frames only"),
        (("frames", "--format", "blf"), 2, "blf needs --output"),
        (("trips", "--format", "parquet"), 2, "parquet needs --output"),
        (("trips", "--run", "17"), 2, "17 is not in this log"),
        (("trips", "--from", "noon"), 2, "'noon' is no date"),
        (
            ("trips", "--from", "2026-01-02", "--to", "2026-01-02"),
            2,
            "not after --from",
        ),
        (("trips", "--format", "xml"), 2, "'xml' is not one of"),
        (("frames", "--output", "/no/folder/x.blf"), 1, "no such file"),
        (("trips", "--output", "/no/folder/x.parquet"), 1, "no such file"),
    ],
)
def test_a_call_that_cannot_be_is_answered_in_one_message(
    words: tuple[str, ...], code: int, told: str, log: Path
) -> None:
    ran = ampledger("export", log, *words)
    assert (ran.code, told in ran.err) == (code, True), ran.err


@pytest.mark.parametrize("name", ["van.db", "van.db-wal", "van.db-shm"])
def test_neither_the_log_nor_what_lies_beside_it_is_overwritten(
    log: Path, name: str
) -> None:
    before = log.read_bytes()
    target = log.with_name(name)
    ran = ampledger("export", log, "trips", "--format", "csv", "--output", target)
    assert (ran.code, "the log itself" in ran.err) == (1, True)
    assert log.read_bytes() == before
    assert [each.name for each in log.parent.iterdir()] == ["van.db"]


def test_the_place_beside_an_output_is_not_the_log_either(
    log: Path, tmp_path: Path
) -> None:
    odd = tmp_path / "trips.csv.part"
    odd.write_bytes(log.read_bytes())
    ran = ampledger("export", odd, "trips", "--output", tmp_path / "trips.csv")
    assert (ran.code, "the log itself" in ran.err) == (1, True)
    assert odd.read_bytes() == log.read_bytes()


def test_what_could_not_be_finished_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "van.db"
    with Writer(path) as writer:
        frames = [Frame(i, i, "drive", 1, False, bytes(8)) for i in range(9000)]
        record_raw(writer, DATE, frames)
    kept = tmp_path / "x.csv"
    kept.write_text("kept\n")
    for name in ("x.csv", "x.log", "x.asc", "x.parquet"):
        done = subprocess.run(
            ["sh", "-c", 'ulimit -f 2; exec "$@"', "sh", COMMAND, "export", path,
             "frames", "--output", tmp_path / name],
            capture_output=True,
            text=True,
            check=False,
        )  # fmt: skip
        assert (done.returncode, "file too large" in done.stderr) == (1, True)
    assert kept.read_text() == "kept\n"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["van.db", "x.csv"]


def test_a_terminal_shows_how_far_it_is(log: Path, tmp_path: Path) -> None:
    mine, its = pty.openpty()
    with subprocess.Popen(
        [COMMAND, "export", log, "signals", "--output", tmp_path / "x.csv"],
        stderr=its,
        stdout=subprocess.PIPE,
    ) as child:
        os.close(its)
        shown_text = b""
        # At its end Linux answers a read of the terminal with an error.
        while part := _read(mine):
            shown_text += part
        assert child.wait() == 0
    os.close(mine)
    assert b"signals of van.db" in shown_text
    assert b"100%" in shown_text


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 4096)
    except OSError:
        return b""


def test_elsewhere_long_work_says_a_line_now_and_then(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # In this clock ten seconds pass in ten nanoseconds.
    with shown("signals", 200, True, Clock(speed=1e9)) as tell:
        tell(50)
        tell(300)
    assert capsys.readouterr().err == "signals: 25 %\nsignals: 100 %\n"
    with shown("signals", 200, True) as tell:
        tell(50)
    with shown("nothing", 0, True, Clock(speed=1e9)) as tell:
        tell(0)
    assert capsys.readouterr().err == ""
