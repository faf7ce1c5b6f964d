"""CAN logs of every form: round trips through python-can's own writers, and damage."""

import base64
import gzip
import random
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import can
import pytest
from can.io.asc import ASCWriter
from can.io.blf import BLFWriter
from can.io.csv import CSVWriter
from can.io.trc import TRCWriter

from logger.decode.frames import Frame, Line
from logger.decode.j1939 import parameter_group
from logger.errors import RecordingError
from logger.store.writer import Writer
from replay.formats.opening import Known, open_known
from replay.formats.reading import Progress, Recording
from replay.formats.stamping import NO_WISH, Wish
from replay.formats.timeline import Timeline
from tests.edges.export_logs import record_raw
from tests.running import DATA, ampledger

CAN = DATA / "can"
BUSES = {"can0": "drive", "can1": "house"}
DATE_S = 1_718_960_400.0
"""2024-06-21, 09:00 UTC; a whole second, since ASC writes no finer date."""

FRAMES = [
    (0.0, 0x310, False, "AC0DF401A0000000", 0),
    (0.001, 0x18FF2142, True, "00", 1),
    (0.25, 0x7FF, False, "", 0),
    (1.5, 0x1FFFFFFF, True, "0102030405060708", 1),
    (3.125, 0x001, False, "FF", 0),
]

WRITERS = {"asc": ASCWriter, "blf": BLFWriter, "trc": TRCWriter, "csv": CSVWriter}


def written(folder: Path, ending: str) -> Path:
    """Return a log of all frames as python-can writes it."""
    path = folder / f"drive.{ending}"
    with WRITERS[ending](path) as writer:
        for t_s, can_id, is_extended, data, channel in FRAMES:
            writer.on_message_received(
                can.Message(
                    timestamp=DATE_S + t_s,
                    arbitration_id=can_id,
                    is_extended_id=is_extended,
                    data=bytes.fromhex(data),
                    channel=channel,
                )
            )
    return path


def packed(path: Path) -> Path:
    """Return the same file as gzip, under a name that tells nothing."""
    other = path.with_name("recording")
    other.write_bytes(gzip.compress(path.read_bytes()))
    return other


def read(
    path: Path, known: Known | None = None, wish: Wish = NO_WISH
) -> tuple[list[Frame | Line], Recording, Timeline]:
    """Return the items of a recording."""
    if known is None:
        known = Known(BUSES, ("gps",))
    recording, timeline = open_known(path, known, Progress(), wish), Timeline()
    items = [i for i in recording.items(timeline) if isinstance(i, Frame | Line)]
    return items, recording, timeline


def frames(folder: Path, text: str) -> tuple[list[Frame], Recording]:
    """Return the frames of a log of that text."""
    path = folder / "log"
    path.write_text(text)
    items, recording, _ = read(path)
    return [item for item in items if isinstance(item, Frame)], recording


@pytest.mark.parametrize("is_packed", [False, True])
@pytest.mark.parametrize("ending", WRITERS)
def test_what_python_can_writes_is_read_again(
    ending: str, is_packed: bool, tmp_path: Path
) -> None:
    path = written(tmp_path, ending)
    items, recording, timeline = read(packed(path) if is_packed else path)
    buses = ("drive", "drive") if ending == "csv" else ("drive", "house")
    assert items == [
        Frame(
            round(t_s * 1e6), seq, buses[channel], can_id, is_extended,
            bytes.fromhex(data),
        )
        for seq, (t_s, can_id, is_extended, data, channel) in enumerate(FRAMES)
    ]  # fmt: skip
    assert timeline.zero_stamp_us == pytest.approx(DATE_S * 1e6, abs=1000)
    assert (recording.damage.lines, recording.damage.notes) == (0, [])


def test_a_channel_beyond_the_van_file_keeps_its_number(tmp_path: Path) -> None:
    items, _, _ = read(written(tmp_path, "blf"), Known({"can0": "drive"}))
    assert {i.bus for i in items if isinstance(i, Frame)} == {"drive", "?channel 2"}


ASC = """date Fri Jun 21 09:00:00.000 2024
base hex  timestamps absolute
internal events logged
// a remark
Begin Triggerblock Fri Jun 21 09:00:00.000 2024
   0.000000 Start of measurement
   0.100000 1  310             Rx   d 2 AC 0D
   0.200000 1  ErrorFrame
   0.300000 1  310             Rx   r
   0.400000 1  Statistic: D 4 R 0 XD 0 XR 0 E 0 O 0 B 0.04%
{bad}
   0.500000 2  18FF2142x       Rx   d 1 07
End TriggerBlock
"""


def test_an_asc_log_has_more_than_frames(tmp_path: Path) -> None:
    got, recording = frames(tmp_path, ASC.format(bad=""))
    assert [(f.t_us, f.bus, f.can_id) for f in got] == [
        (0, "drive", 0x310),
        (400_000, "house", 0x18FF2142),
    ]
    assert recording.damage.lines == 0
    assert recording.damage.notes == [
        "1 error frames were skipped.",
        "1 remote frames were skipped.",
    ]


@pytest.mark.parametrize(
    "bad",
    [
        "   0.450000 1  310             Rx   d 8 AC 0D F4 0",  # the line breaks off
        "   0.450000 1  310             Rx   d 2 AC XX",
        "   0.450000 1  FFFFFFFFFx      Rx   d 1 00",
        "   0.450000 1  ZZZ             Rx   d 1 00",
        "   0.450000 1  310             Rx   d 2 AC 1FF",
        "\x00\x01 noise",
    ],
)
def test_a_damaged_asc_line_costs_itself_only(bad: str, tmp_path: Path) -> None:
    got, recording = frames(tmp_path, ASC.format(bad=bad))
    assert [frame.can_id for frame in got] == [0x310, 0x18FF2142]
    assert recording.damage.lines == 1


def test_an_asc_date_in_another_language_is_told_and_left_out(tmp_path: Path) -> None:
    got, recording = frames(tmp_path, ASC.format(bad="").replace("Jun", "Xyz"))
    assert len(got) == 2
    assert any("date cannot be read" in note for note in recording.damage.notes)


def test_stamps_from_line_to_line_are_refused(tmp_path: Path) -> None:
    text = ASC.format(bad="").replace("absolute", "relative")
    with pytest.raises(RecordingError, match="absolute time stamps"):
        frames(tmp_path, text)


TRC = """;$FILEVERSION=1.1
;$STARTTIME=45464.375
;   Message Number
     1)         0.5  Rx         0310  2  AC 0D
{bad}
     3)        10.5  Rx     18FF2142  1  07
"""


@pytest.mark.parametrize(
    ("bad", "lines", "notes"),
    [
        ("", 0, []),
        ("     2)  5.0  Rx  0310  8  AC", 1, []),
        ("     2)  5.0  Rx  0310  1  ZZ", 1, []),
        ("     2)  x  Rx  0310  1  00", 1, []),
        ("     2)  nan  Rx  0310  1  00", 1, []),
        ("noise", 1, []),
        (
            "     2)  5.0  Warng  FFFFFFFF  4  00 00 00 08  BUSLIGHT",
            0,
            ["1 lines about errors and states were skipped."],
        ),
    ],
)
def test_a_trace_is_read_over_what_is_no_frame(
    bad: str, lines: int, notes: list[str], tmp_path: Path
) -> None:
    got, recording = frames(tmp_path, TRC.format(bad=bad))
    assert [(f.t_us, f.can_id) for f in got] == [(0, 0x310), (10_000, 0x18FF2142)]
    assert (recording.damage.lines, recording.damage.notes) == (lines, notes)


def test_a_published_trace_is_read_whole() -> None:
    items, recording, _ = read(CAN / "n2k-trace-v11.trc.gz")
    assert len(items) == 12_274  # python-can 4.6.1, as told with the file
    assert items[-1].t_us == pytest.approx(78.25e6, abs=0.05e6)
    assert (recording.damage.lines, recording.damage.notes) == (0, [])


@pytest.mark.parametrize(
    "bad",
    ["x,0x1,0,0,0,1,AA==", "1.0,zz,0,0,0,1,AA==", "1.0,0x1,0,0", "1,0x1,0,0,0,2,A"],
)
def test_a_damaged_csv_row_costs_itself_only(bad: str, tmp_path: Path) -> None:
    data = base64.b64encode(b"\x01").decode()
    rows = [f"{t}.0,0x310,0,0,0,1,{data}" for t in (1, 2)]
    head = "timestamp,arbitration_id,extended,remote,error,dlc,data"
    got, recording = frames(tmp_path, "\n".join([head, rows[0], bad, rows[1]]))
    assert [frame.t_us for frame in got] == [0, 1_000_000]
    assert recording.damage.lines == 1


@pytest.mark.parametrize("cut", [3, 5, 10, 145, 170, 200])
def test_a_blf_log_that_breaks_off_is_told(cut: int, tmp_path: Path) -> None:
    path = written(tmp_path, "blf")
    path.write_bytes(path.read_bytes()[:-cut])
    items, recording, _ = read(path)
    assert len(items) <= len(FRAMES)
    assert any("breaks off" in note for note in recording.damage.notes)


def test_no_damage_to_a_log_of_bytes_hangs_or_raises(tmp_path: Path) -> None:
    whole, rng = written(tmp_path, "blf").read_bytes(), random.Random(5)
    path = tmp_path / "damaged"
    for _ in range(400):
        bad = bytearray(whole)
        for _ in range(rng.randint(1, 4)):
            bad[rng.randrange(4, len(bad))] = rng.choice(
                [0, 1, 0xFF, rng.randrange(256)]
            )
        path.write_bytes(bad)
        assert len(read(path)[0]) <= len(FRAMES)


def test_an_object_without_a_length_ends_a_blf_log(tmp_path: Path) -> None:
    path = tmp_path / "drive.blf"
    with BLFWriter(path, compression_level=0) as writer:
        for second in range(3):
            writer.on_message_received(
                can.Message(timestamp=float(second), arbitration_id=1, channel=0)
            )
    whole = bytearray(path.read_bytes())
    second = whole.index(b"LOBJ", 144 + 32 + 1)
    whole[second + 8 : second + 12] = bytes(4)
    path.write_bytes(whole)
    items, recording, _ = read(path)
    assert len(items) == 1
    assert recording.damage.notes == [
        "The file breaks off: an object without a length."
    ]


def test_a_gzip_file_that_breaks_off_is_played_up_to_there(tmp_path: Path) -> None:
    path = tmp_path / "trace"
    path.write_bytes((CAN / "n2k-trace-v11.trc.gz").read_bytes()[:60_000])
    items, recording, _ = read(path)
    assert 5000 < len(items) < 8000
    assert any("breaks off" in note for note in recording.damage.notes)


def test_the_adapters_own_table_gives_the_frames_of_the_log() -> None:
    table, recording, _ = read(CAN / "ev-can-power-cycle.adapter.csv.gz")
    log, _, _ = read(CAN / "ev-can-power-cycle.log.gz")
    assert table == log[:2000]
    assert recording.damage.lines == 0


def test_split_identifiers_are_put_together_again() -> None:
    items, _, _ = read(CAN / "j1939-machine-gears.decoded.csv.gz")
    found = [item for item in items if isinstance(item, Frame)]
    rpm = [
        int.from_bytes(frame.data[3:5], "little") * 0.125
        for frame in found
        if parameter_group(frame.can_id) == 61444
    ]
    assert (len(found), len(rpm), max(rpm)) == (13_640, 2190, 1019.0)
    assert sum(rpm) / len(rpm) == pytest.approx(523.181, abs=5e-4)
    assert found[12].can_id == 0x18EF0600  # priority 6, 61184, from 0 to 6


@pytest.mark.parametrize(
    "row",
    ["2,1.0,99999999,6,0,255,00,", "2,x,61444,6,0,255,00,", "2,1.0,61444,6,0,255,0,"],
)
def test_a_damaged_split_row_costs_itself_only(row: str, tmp_path: Path) -> None:
    head = ",time,pgn,priority,source,destination,data,description"
    good = ["0,0.0,61444,3,0,255,F0 FF ,Unknown", "1,9.0,61444,3,0,255,F0 FF ,Unknown"]
    got, recording = frames(tmp_path, "\n".join([head, good[0], row, good[1]]))
    assert [(f.t_us, f.can_id) for f in got] == [(0, 0x0CF00400), (9000, 0x0CF00400)]
    assert recording.damage.lines == 1


def test_our_own_export_of_frames_and_lines_is_read_again(tmp_path: Path) -> None:
    text = (
        "t_utc,t_s,run,seq,kind,source,frame_id,is_extended,data_hex\n"
        "2024-06-21T09:00:00Z,1718960400.000000,1,0,frame,drive,310,0,ac0d\n"
        "2024-06-21T09:00:01Z,1718960401.000000,1,1,line,gps,,,2447\n"
        "2024-06-21T09:00:02Z,1718960402.000000,1,2,entry,desk,,,7b7d\n"
        "2024-06-21T09:00:03Z,1718960403.000000,1,3,frame,?can2,18FF2142,1,\n"
        "2024-06-21T09:00:03Z,1718960403.000000,1,3,frame,drive,FFFF,0,\n"
    )
    path = tmp_path / "frames.csv"
    path.write_text(text)
    items, recording, _ = read(path)
    assert items == [
        Frame(0, 0, "drive", 0x310, False, bytes.fromhex("ac0d")),
        Line(1_000_000, 1, "gps", b"$G"),
        Frame(3_000_000, 2, "?can2", 0x18FF2142, True, b""),
    ]
    assert recording.damage.lines == 1


def test_a_log_without_time_stamps_is_refused_or_stamped() -> None:
    path = CAN / "n2k-candump-screen-format.txt.gz"
    with pytest.raises(RecordingError, match="--every"):
        read(path)
    items, recording, timeline = read(path, wish=Wish(every_s=0.05))
    assert len(items) == 402
    assert items[-1].t_us == 401 * 50_000
    assert not timeline.is_dated
    assert recording.damage.lines == 0


def test_a_screen_with_time_stamps_needs_no_wish(tmp_path: Path) -> None:
    got, recording = frames(
        tmp_path,
        " (1718960400.000000)  can0  310   [2]  AC 0D\n"
        " (1718960400.500000)  can1  18FF2142   [0]\n"
        " (1718960400.600000)  can1  123   [2]  AC\n"
        " (1718960400.700000)  can1  123   [0]  remote request\n"
        " (1718960400.800000)  can0  20000004   [1]  00   ERRORFRAME\n",
    )
    assert [(f.t_us, f.bus, f.data) for f in got] == [
        (0, "drive", b"\xac\x0d"),
        (500_000, "house", b""),
    ]
    assert recording.damage.lines == 1
    assert len(recording.damage.notes) == 2


def test_a_measurement_without_its_library_says_what_to_install(
    tmp_path: Path,
) -> None:
    if find_spec("asammdf"):
        pytest.skip("the extra mf4 is installed")
    path = tmp_path / "drive.mf4"
    path.write_bytes(b"MDF     4.10    " + bytes(200))
    with pytest.raises(RecordingError) as caught:
        read(path)
    assert 'pip install "ampledger[mf4]"' in str(caught.value)


def test_a_measurement_is_read_like_any_log(tmp_path: Path) -> None:
    pytest.importorskip("asammdf", reason="the extra mf4 is not installed")
    from can.io.mf4 import MF4Writer

    path = tmp_path / "drive.mf4"
    writer = MF4Writer(path)
    for t_s, can_id, is_extended, data, channel in FRAMES:
        writer.on_message_received(
            can.Message(
                timestamp=DATE_S + t_s, arbitration_id=can_id, data=bytes.fromhex(data),
                is_extended_id=is_extended, channel=channel + 1,
            )
        )  # fmt: skip
    writer.stop()
    items, _, _ = read(packed(path))
    assert [(i.can_id, i.bus) for i in items if isinstance(i, Frame)] == [
        (can_id, list(BUSES.values())[channel]) for _, can_id, _, _, channel in FRAMES
    ]


@pytest.mark.parametrize(
    "content",
    [b"", b"\n\n", gzip.compress(b"", mtime=0), b"\x1f\x8b\x08"],
    ids=["empty", "blank", "packed", "broken"],
)
def test_an_empty_file_is_refused_with_its_place(
    content: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "empty"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match="empty"):
        read(path)


VAN = """
[van]
name = "Read again"

[[bus]]
name = "drive"
interface = "can0"

[[bus]]
name = "house"
interface = "can1"

[[port]]
name = "gps"
device = "/dev/null"
"""


@pytest.mark.parametrize("ending", WRITERS)
def test_every_form_plays_into_a_log(ending: str, tmp_path: Path) -> None:
    van, log = tmp_path / "van.toml", tmp_path / "van.db"
    van.write_text(VAN)
    path = packed(written(tmp_path, ending))
    ran = ampledger("replay", "--van", van, "--into", log, path)
    assert ran.code == 3, ran.err  # nothing feeds a channel here
    assert "Frames that feed no channel: 5." in ran.out


def test_the_groups_of_a_published_log_are_counted_as_told_with_it() -> None:
    items, _, _ = read(CAN / "j1939-machine-start.log.gz")
    groups = Counter(parameter_group(i.can_id) for i in items if isinstance(i, Frame))
    assert groups.most_common() == [
        (61184, 2512), (61444, 1460), (61443, 1459), (126720, 500), (65266, 292),
        (65247, 117), *groups.most_common()[6:],
    ]  # fmt: skip


SEEDS = [
    ASC.format(bad="").encode(),
    TRC.format(bad="").encode(),
    b";$FILEVERSION=2.1\n;$STARTTIME=45464.375\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
    b" 1 0.5 DT 1 0310 Rx - 2 AC 0D\n 2 5.5 DT 2 18FF2142 Rx - 1 AC\n",
    b"t_s,kind,source,frame_id,is_extended,data_hex\n"
    b"1718960400.0,frame,drive,310,0,ac0d\n1718960401.0,line,gps,,,2447\n",
    b"Time Stamp,ID,Extended,Bus,LEN,D1,D2\n1953613500,00000109,false,0,2,00,01\n",
    b",time,pgn,priority,source,destination,data\n0,0.0,60928,6,71,255,4D 74 \n",
    b"  can0  09F8027F   [2]  00 FC\n (1.5)  can0  123   [1]  FC\n",
    b"(1718960400.000000) can0 310#AC0D\n(1718960405.030000) can1 18FF2142#\n",
    b"$GPRMC,235959.50,A,,,,,,,200624,,,A*53\nvolts=1,amps=2\n",
]
ODD = [b"nan", b"inf", b"1e400", b"-1", b"9" * 30, b"base dec\n", b"\n;$COLUMNS=N\n"]
WISHES = [Wish(0.1), Wish(by_sentences=True), Wish(1.0, port="gps")]


def test_no_damage_to_a_text_does_more_than_refuse_it(tmp_path: Path) -> None:
    rng, path = random.Random(7), tmp_path / "damaged"
    texts = [*SEEDS, *(written(tmp_path, each).read_bytes() for each in WRITERS)]
    for _ in range(600):
        bad = bytearray(rng.choice(texts))
        for _ in range(rng.randint(1, 5)):
            at = rng.randrange(len(bad) + 1)
            odd = rng.choice([*ODD, bytes([rng.randrange(256)])])
            bad[at : at + rng.randint(0, 6)] = odd
        path.write_bytes(bad)
        with suppress(RecordingError):
            read(path, wish=rng.choice(WISHES))


EXPORTED: list[Frame | Line] = [
    Frame(0, 0, "drive", 0x7FF, False, b"\x01\x02"),
    Frame(1, 1, "house", 0x1FFFFFFF, True, bytes(8)),
    Line(500_000, 2, "gps", b"$GPGSV,1,1,00"),
    Frame(999_999, 3, "drive", 0x001, True, b""),
    Frame(400_000, 4, "drive", 0x000, False, b"\xff"),
    Frame(2_000_000, 5, "drive", 0x10, False, bytes(range(64))),
]
INTERFACES = {"can0": "drive", "usb_can_7": "house"}
"""As in the van file of the logs that the tests of exports make."""


@pytest.mark.parametrize("ending", ["csv", "log", "asc", "blf"])
def test_what_a_log_exports_is_read_again(ending: str, tmp_path: Path) -> None:
    log, path = tmp_path / "van.db", tmp_path / f"frames.{ending}"
    with Writer(log) as writer:
        record_raw(writer, "2026-06-22T12:00:00.987654", EXPORTED)
    ran = ampledger("export", log, "frames", "--output", path)
    assert ran.code == 0, ran.err
    items, recording, timeline = read(packed(path), Known(INTERFACES))
    kept = [i for i in EXPORTED if ending == "csv" or isinstance(i, Frame)]
    assert items == [replace(item, seq=seq) for seq, item in enumerate(kept)]
    assert timeline.zero_stamp_us == 1_782_129_600_987_654
    assert recording.damage.lines == 0
