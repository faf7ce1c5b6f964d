"""The command `listen` on recordings: what it says, how wide, and when to look."""

import json
from pathlib import Path

import pytest

from logger.decode.frames import Frame, Line
from replay.listening.described import fitting_buses, given
from replay.listening.groups import talks
from replay.listening.heard import MOST_IDENTIFIERS, Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import LineEar
from replay.listening.signals import SignalSeen
from replay.listening.telling import Text
from tests.running import DATA, ampledger

EXAMPLE = DATA / "example"
DBC = """VERSION ""
NS_ :
BS_:
BU_: Box
BO_ 256 Pack: 4 Box
 SG_ Current : 0|16@1- (0.1,0) [0|0] "A" Box
 SG_ Voltage : 16|16@1+ (0.1,0) [0|0] "V" Box
BO_ 2566856959 Tank: 1 Box
 SG_ Level : 0|8@1+ (1,0) [0|0] "%" Box
"""
# 2566856959 is 0x18FF20FF with the mark of 29 bits.


@pytest.fixture
def dbc(tmp_path: Path) -> Path:
    path = tmp_path / "boxes.dbc"
    path.write_text(DBC)
    return path


def frame(t_ms: int, can_id: int, data: str, bus: str = "?can0") -> Frame:
    return Frame(t_ms * 1000, 0, bus, can_id, can_id > 0x7FF, bytes.fromhex(data))


def hearing(*frames: Frame, dbc: Path | None = None) -> Hearing:
    made = Hearing(Ear(given([str(dbc)] if dbc else [])), LineEar())
    made.take(frames)
    return made


def test_bytes_that_move_are_marked() -> None:
    heard = hearing(
        frame(0, 0x100, "000102"), frame(10, 0x100, "000202"), frame(20, 0x100, "00")
    )
    (talk,) = talks(heard.ear, heard.ear.buses["?can0"])
    assert talk.moving == ".**"  # the last byte was missing once
    assert talk.rate_hz == pytest.approx(100.0)


def test_a_group_is_one_entry_whoever_sends_it(dbc: Path) -> None:
    frames = [frame(0, 0x18FF2001, "64"), frame(5, 0x18FF2002, "32")]
    heard = hearing(*frames, dbc=dbc)
    (talk,) = talks(heard.ear, heard.ear.buses["?can0"])
    assert (talk.label, talk.sources, talk.n) == ("65312", "01 02", 2)
    assert talk.moving == "*"
    assert talk.decoded is not None
    assert talk.decoded.decoder.name == "Tank"


def test_values_are_shown_with_their_units(dbc: Path) -> None:
    heard = hearing(frame(0, 0x100, "9CFFDC05"), frame(9, 0x100, "9CFFDD05"), dbc=dbc)
    text = str(Text(heard, 80))
    assert "Voltage 150.1 V, Current -10 A" in text  # the one that moves goes first
    assert "described by" in text


def test_what_is_refused_is_told(dbc: Path) -> None:
    heard = hearing(frame(0, 0x100, "9C"), dbc=dbc)
    assert "! 1 x frame shorter than described" in str(Text(heard, 80))


@pytest.mark.parametrize("columns", [10, 36, 40, 80, 200])
def test_no_line_is_wider_than_the_terminal(columns: int, dbc: Path) -> None:
    heard = hearing(
        frame(0, 0x100, "9CFFDC05"), frame(1, 0x18FF2001, "64" * 64), dbc=dbc
    )
    heard.take([Line(0, 0, "gps", b"$GPXXX,1,2,3*00"), Line(1, 1, "gps", b"a=1")])
    heard.remarks.append("Something that takes many words to say, " * 5)
    text = str(Text(heard, columns))
    assert max(map(len, text.splitlines())) <= min(max(columns, 36), 80)


def test_noise_does_not_fill_the_memory() -> None:
    heard = hearing(*(frame(n, 0x800 + n, "") for n in range(MOST_IDENTIFIERS + 7)))
    assert heard.ear.buses["?can0"].given_up == 7
    assert "a wrong bit rate?" in str(Text(heard, 80))


def test_the_mean_of_many_values_keeps_its_digits() -> None:
    seen = SignalSeen("x", "")
    for value in (1e16, 1.0, -1e16, 1.0):
        seen.add(value)
    assert seen.mean == 0.5


def test_a_description_belongs_where_it_knows_at_least_half_of_the_most() -> None:
    assert fitting_buses({"a": 100, "b": 21, "c": 50, "d": 0}) == {"a", "c"}
    assert fitting_buses({}) == frozenset()
    assert fitting_buses({"a": 0}) == frozenset()


def test_a_van_file_names_the_buses_of_a_recording() -> None:
    log = EXAMPLE / "drive.log"
    ran = ampledger("listen", EXAMPLE / "van.toml", "--from", log, "--json")
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    assert all(bus["is_in_van_file"] for bus in told["buses"])
    assert all(
        entry["message"] is not None
        for bus in told["buses"]
        for entry in bus["entries"]
    )


def test_an_unknown_bus_keeps_the_name_of_the_recording(tmp_path: Path) -> None:
    log = tmp_path / "drive.log"
    log.write_text("(1.0) can7 100#00\n(2.0) can7 100#00\nnoise\n")
    ran = ampledger("listen", EXAMPLE / "van.toml", "--from", log)
    assert ran.code == 3  # a damaged line
    assert ran.out.startswith("bus can7\n")
    assert "! Damaged lines, skipped: 1." in ran.out


def test_text_of_a_port_is_told_by_kind(tmp_path: Path) -> None:
    text = tmp_path / "meter.txt"
    text.write_text("volts=12.5,amps=1\nvolts=12.6,amps=2\nstring,left,3\n")
    ran = ampledger("listen", "--from", text, "--port", "meter", "--every", "1")
    assert ran.code == 0, ran.err
    assert "port meter" in ran.out
    assert "string" in ran.out


@pytest.mark.parametrize(
    ("words", "code", "what"),
    [
        (("--from", "LOG", "--with", "no.dbc"), 2, "no.dbc: found no such file"),
        (("--from", "LOG", "--with", "LOG"), 2, "Give a DBC or KCD description"),
        (("--from", "LOG", "--with", "BAD"), 2, "bad.dbc"),
        (("--from", "BAD"), 1, "neither a CAN log"),
        ((), 2, "--from"),
    ],
)
def test_a_wrong_call_says_what_to_do(
    words: tuple[str, ...], code: int, what: str, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.dbc"
    bad.write_text("BO_ nonsense")
    places = {"LOG": EXAMPLE / "drive.log", "BAD": bad}
    ran = ampledger("listen", *(places.get(word, word) for word in words))
    assert ran.code == code
    assert what in ran.err


def test_a_table_of_channels_is_played_not_listened_to() -> None:
    van = DATA / "ev" / "van.toml"
    ran = ampledger("listen", van, "--from", DATA / "ev" / "ev-trip-b13.csv.gz")
    assert ran.code == 1
    assert "a table is played with replay" in ran.err


def test_a_bundled_table_is_held_against_a_recording_and_drafted(
    tmp_path: Path,
) -> None:
    file, draft = DATA / "can" / "n2k-battery-meter.log.gz", tmp_path / "van.toml"
    ran = ampledger("listen", "--from", file, "--with", "fast-packet", "--draft", draft)
    assert "described by bundled fast-packet" in ran.out
    # Of two frames each, put together: 100 % (the figure of another reader).
    assert "DC_DETAILED_STATUS" in ran.out
    assert 'bundled = "fast-packet"' in draft.read_text()
    assert ampledger("check", draft).code == 0


def test_where_a_description_fits_is_seen_anew_while_more_is_heard(dbc: Path) -> None:
    heard = hearing(frame(0, 0x100, "9CFFDC05", "?a"), dbc=dbc)
    (described,) = heard.ear.described
    assert heard.ear.fits(described) == {"?a"}
    heard.take([frame(n, 0x18FF2000 + n, "01", "?b") for n in range(3)])
    assert heard.ear.fits(described) == {"?b"}
