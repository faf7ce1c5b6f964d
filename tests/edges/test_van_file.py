"""The van file: sound ones are read, broken ones are answered with every fault."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.van.reading import read_van
from tests.running import DATA, ampledger

DBC = """VERSION ""
BS_:
BU_: Meter
BO_ 256 Pack: 4 Meter
 SG_ volts : 0|16@1+ (0.1,0) [0|0] "V" Meter
 SG_ amps : 16|16@1- (0.1,0) [0|0] "A" Meter
"""
SOUND = """
[van]
name = "Test van"
time_zone = "Europe/Lisbon"

[pack]
nameplate_ah = 200.0
series_groups = 42
chemistry = "nmc532"

[[bus]]
name = "drive"
interface = "can0"

[[description]]
bus = "drive"
file = "pack.dbc"

[[table]]
name = "record"
time = ["day", "clock"]
time_format = "%d.%m.%Y %H:%M:%S"

[[feed]]
channel = "pack.current_a"
bus = "drive"
message = "Pack"
signal = "amps"
scale = 2.0
offset = 1.0
flip = true

[[feed]]
channel = "pack.current_a"
table = "record"
column = "amps"
rank = 2
max_gap_s = 30.0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "pack.dbc").write_text(DBC)
    return tmp_path


def faults_of(folder: Path, text: str) -> list[str]:
    """Return what is wrong with a van file, one line a fault."""
    path = folder / "van.toml"
    path.write_text(text)
    try:
        read_van(path)
    except ConfigError as err:
        return [str(fault) for fault in err.faults]
    return []


def test_a_sound_file_becomes_what_the_pipeline_needs(folder: Path) -> None:
    path = folder / "van.toml"
    path.write_text(SOUND)
    van = read_van(path)
    assert van.text == SOUND
    assert van.buses == {"can0": "drive"}
    (feed,) = van.spec.message_feeds["drive", "Pack"]
    # Flipped: -(2 x raw + 1).
    assert (feed.slot, feed.scale, feed.offset) == (1, -2.0, -1.0)
    assert van.spec.pack is not None
    assert van.spec.pack.capacity_ah == pytest.approx(190.0)  # 95 % of the nameplate
    # SHA-256 by the hashlib of the standard library, over the file as it is.
    assert [file.name for file in van.descriptions] == ["pack.dbc"]


def test_seven_faults_are_all_told_at_once(folder: Path) -> None:
    broken = (
        SOUND.replace("nameplate_ah = 200.0", "nameplate_ah = -60.0")
        .replace("time_zone", "timezone")
        .replace('"pack.current_a"\ntable', '"pack.curent_a"\ntable')
        .replace('signal = "amps"', 'signal = "amp"')
        .replace("rank = 2", "rank = 0.5")
        .replace('channel = "pack.current_a"\nbus', 'chanel = "pack.current_a"\nbus')
        + '\n[[description]]\nbus = "drive"\nfile = "lost.kcd"\n'
    )
    path = folder / "van.toml"
    path.write_text(broken)
    ran = ampledger("check", path)
    assert ran.code == 2
    *lines, count = ran.err.splitlines()
    assert count == "7 faults."
    for where, saw, fix in (
        ("van.toml [van] timezone", "'Europe/Lisbon'", "time_zone"),
        ("van.toml [pack] nameplate_ah", "-60.0", "at least 0.1"),
        ("van.toml [[feed]] 2 rank", "0.5", "whole number"),
        ("van.toml [[description]] 2 file", "'lost.kcd' (no such file", "folder"),
        ("van.toml [[feed]] 1 chanel", "'pack.current_a'", "channel"),
        ("van.toml [[feed]] 1 signal", "'amp'", "amps"),
        ("van.toml [[feed]] 2 channel", "'pack.curent_a'", "pack.current_a"),
    ):
        assert any(
            line.startswith(f"{where}: found {saw}") and fix in line for line in lines
        ), (where, ran.err)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('name = "Test van"', "name = 7", "[van] name: found 7. Give what the van is"),
        ("[van]", "[Van]", "[van]: found nothing. Begin with [van]"),
        ("[pack]", "[[pack]]", "pack: found [{"),
        ("[pack]", "[puck]", "The nearest known is pack."),
        ("[[bus]]", "[bus]", "Write this section as [[bus]]."),
        ('"Europe/Lisbon"', '"Lisbon"', "[van] time_zone: found 'Lisbon'"),
        ('"Europe/Lisbon"', '"../etc"', "[van] time_zone: found '../etc'"),
        ("series_groups = 42", "", "[pack] series_groups: found nothing"),
        ("series_groups = 42", "series_groups = true", "found true"),
        ('"nmc532"', '"nmc"', 'one of "nmc811", "lfp"'),
        ('"nmc532"', '"lfp"\nopen_circuit = [[0, 3.0], [100, 3.4]]', "one of the two"),
        ('chemistry = "nmc532"', "open_circuit = [[0, 3.0], [50, 2.9], [100, 4]]",
         "that rise, from 0 to 100 %"),
        ('chemistry = "nmc532"', "open_circuit = [[5, 3.0], [100, 4]]",
         "that rise, from 0 to 100 %"),
        ('chemistry = "nmc532"', "start_soc_pct = 50.0\nstart_from_meter = true",
         "where to take it from"),
        ('chemistry = "nmc532"', "start_from_meter = true", "Feed the channel meter."),
        ('chemistry = "nmc532"', 'chemistry = "lfp"\nfull_charge_voltage_v = 176.4',
         "the three do not go together"),
        ('"pack.current_a"\ntable', '"pack.soc_pct"\ntable', "counted here"),
        ('"pack.current_a"\ntable', '"sun.roof.power_w"\ntable', "as [[string]]"),
        ('name = "drive"', 'name = "Drive"', "a name of lower-case letters"),
        ('file = "pack.dbc"', 'file = "van.toml"', "ends in .dbc or .kcd"),
        ('bus = "drive"\nfile', 'bus = "drove"\nfile', "The nearest known is drive."),
        ('message = "Pack"', 'message = "Puck"', "The nearest known is Pack."),
        ('bus = "drive"\nmessage', 'bus = "house"\nmessage', "Known are drive."),
        ('table = "record"', 'table = "recorder"', "The nearest known is record."),
        ('column = "amps"', "", "Give bus, message and signal, or table and"),
        ('column = "amps"', 'column = "amps"\nsignal = "amps"', "more than one kind"),
        ("rank = 2", "", "Rank the feeds of one channel"),
        ("rank = 2", "codes = { 1 = 1 }\nrank = 2", "this channel holds a number"),
        ('time = ["day", "clock"]', 'time = ["day", "clock"]\nencoding = "latin-99"',
         "a text encoding"),
        ('time = ["day", "clock"]', 'time = ["day", "clock"]\ntime_zone = "Mars/X"',
         "[[table]] 1 time_zone"),
    ],
)  # fmt: skip
def test_a_fault_names_place_value_and_remedy(
    old: str, new: str, told: str, folder: Path
) -> None:
    assert old in SOUND
    found = faults_of(folder, SOUND.replace(old, new, 1))
    assert any(told in fault for fault in found), found
    assert all(fault.startswith("van.toml ") for fault in found)


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ('[[bus]]\nname = "drive"\ninterface = "can1"\n', "Give each its own name."),
        ('[[bus]]\nname = "two"\ninterface = "can0"\n', "its own interface"),
        ('[[description]]\nbus = "drive"\nfile = "pack.dbc"\n', "message Pack again"),
        ("[[tariff]]\nname = 'home'\nprice_per_kwh = 0.2\ncurrency = 'eur'\n",
         "three capitals"),
        ("[wheels]\ncircumference_m = 0.1\nmotor_turns_per_wheel_turn = 9.0\n",
         "above 0.5"),
        ('[[feed]]\nchannel = "key.on"\ntable = "record"\ncolumn = "k"\n'
         "codes = { yes = 7 }\n", "Known codes are 0 off, 1 on."),
    ],
)  # fmt: skip
def test_faults_between_sections_are_found(extra: str, told: str, folder: Path) -> None:
    found = faults_of(folder, SOUND + extra)
    assert len(found) == 1, found
    assert told in found[0]


def test_what_follows_from_a_fault_is_not_told_as_another(folder: Path) -> None:
    # A bus without a sound name, a description that is not there, a table without one.
    assert len(faults_of(folder, SOUND.replace('name = "drive"', 'name = "D"'))) == 1
    assert len(faults_of(folder, SOUND.replace('"pack.dbc"', '"lost.dbc"'))) == 1
    assert len(faults_of(folder, SOUND.replace('name = "record"', "name = 1"))) == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[[description]]", "[[descripton]]"),
        ("[[bus]]", "[[bsu]]"),
        ("[[table]]", "[[tabel]]"),
        ("[[table]]", "[table]"),
        ("[pack]", "[[pack]]"),
        ('bus = "drive"\nfile', 'bus = "drvie"\nfile'),
        ('bus = "drive"\nfile', "bus = 5\nfile"),
        ('bus = "drive"\nfile', "file"),
        ('name = "drive"', "nmae = [1]"),
        ('channel = "pack.current_a"', "chanel = 5"),
        ('channel = "pack.current_a"', "chanel = []"),
        ('file = "pack.dbc"', "fiel = 5"),
        ("series_groups = 42", 'series_group = "a"\nfull_charge_voltage_v = 170.0'),
    ],
)
def test_one_slip_is_one_fault(old: str, new: str, folder: Path) -> None:
    assert old in SOUND
    found = faults_of(folder, SOUND.replace(old, new, 1))
    assert len(found) == 1, found


def test_a_misspelt_meter_is_not_also_the_lack_of_one(folder: Path) -> None:
    text = SOUND.replace('chemistry = "nmc532"', "start_from_meter = true")
    text += '[[feed]]\nchannel = "meter.soc_pc"\ntable = "record"\ncolumn = "soc"\n'
    found = faults_of(folder, text)
    assert len(found) == 1, found
    assert "The nearest known is meter.soc_pct." in found[0]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("scale = 2.0", "scale = nan"),
        ("scale = 2.0", "scale = inf"),
        ("scale = 2.0", "scale = 0.0"),
        ("scale = 2.0", "scale = 1" + "0" * 5000),
        ("scale = 2.0", "scale = 0x" + "f" * 5000),
        ("max_gap_s = 30.0", "max_gap_s = inf"),
        ("max_gap_s = 30.0", "max_gap_s = 1e300"),
        ("max_gap_s = 30.0", "period_s = inf"),
        ("max_gap_s = 30.0", "max_gap_s = 1e-9"),
        ("nameplate_ah = 200.0", "nameplate_ah = 1e-320"),
        ('chemistry = "nmc532"', "open_circuit = [[0, 3.0], [100, inf]]"),
        ('file = "pack.dbc"', 'file = "a\\u0000.dbc"'),
        ('time = ["day", "clock"]', "time = []"),
        ('time = ["day", "clock"]', 'time = [""]'),
        ('time = ["day", "clock"]', 'time = "day"\nencoding = "a\\u0000"'),
        ('time = ["day", "clock"]', 'time = "day"\nencoding = "base64"'),
        ('time = ["day", "clock"]', 'time = "day"\nencoding = "idna"'),
        ('time = ["day", "clock"]', "time = 'day'\ndelimiter = '\"'"),
        ('time = ["day", "clock"]', 'time = "day"\ndelimiter = "\\n"'),
        ('"%d.%m.%Y %H:%M:%S"', '"%d %d"'),
        ('"%d.%m.%Y %H:%M:%S"', '"%Q"'),
        ('"%d.%m.%Y %H:%M:%S"', '"day"'),
        ('column = "amps"', 'column = ""'),
        ("[van]", "a = " + "[" * 3000 + "]" * 3000 + "\n[van]"),
        ("[van]", ".".join("x" * 3000) + " = 1\n[van]"),
    ],
    ids=str.__len__,
)
def test_what_cannot_work_is_told_and_ends_in_no_traceback(
    old: str, new: str, folder: Path
) -> None:
    assert old in SOUND
    found = faults_of(folder, SOUND.replace(old, new, 1))
    assert found


@given(data=st.data())
def test_no_change_of_a_van_file_ends_in_a_traceback(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("van")
    (folder / "pack.dbc").write_text(DBC)
    lines = SOUND.splitlines()
    values = st.sampled_from(
        ["1", "-1", "nan", "true", '""', '"x"', "[]", "[1]", "{}", '{ a = "b" }', "1e9"]
    )
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        key = lines[at].partition(" = ")[0]
        change = data.draw(st.sampled_from(["drop", "value", "key", "double"]))
        if change == "drop":
            lines[at] = ""
        elif change == "value":
            lines[at] = f"{key} = {data.draw(values)}"
        elif change == "key":
            lines[at] = lines[at].replace("e", "ee", 1)
        else:
            lines.insert(at, lines[at])
    faults_of(folder, "\n".join(lines))


def test_a_mark_of_byte_order_at_the_start_is_no_fault(folder: Path) -> None:
    assert faults_of(folder, "\ufeff" + SOUND) == []


@pytest.mark.parametrize(
    "dbc",
    [
        DBC.replace("Pack: 4 Meter", "Pack: 899999999 Meter"),
        DBC.replace("0|16@1+", "0|1699999999@1+"),
    ],
)
def test_an_absurd_layout_is_refused_at_once(dbc: str, folder: Path) -> None:
    (folder / "pack.dbc").write_text(dbc)
    found = faults_of(folder, SOUND)
    assert len(found) == 1
    assert "absurd length" in found[0]


def test_a_section_that_is_no_section_is_told(folder: Path) -> None:
    found = faults_of(folder, "tariff = [1]\n" + SOUND)
    assert found == ["van.toml [[tariff]] 1: found 1. Write keys and values here."]


def test_two_messages_that_the_same_frames_would_match_are_refused(
    folder: Path,
) -> None:
    # The same 29-bit group from two source addresses, and both feed something.
    (folder / "groups.dbc").write_text(
        'VERSION ""\nBS_:\nBU_: A\n'
        'BO_ 2566844926 One: 8 A\n SG_ v : 0|8@1+ (1,0) [0|0] "" A\n'
        'BO_ 2566844927 Two: 8 A\n SG_ v : 0|8@1+ (1,0) [0|0] "" A\n'
    )
    text = SOUND + '\n[[description]]\nbus = "drive"\nfile = "groups.dbc"\n'
    text += 'match = "group"\n'
    for number, message in enumerate(("One", "Two"), start=1):
        text += f'[[feed]]\nchannel = "module.{number}.voltage_v"\n'
        text += f'bus = "drive"\nmessage = "{message}"\nsignal = "v"\n'
    found = faults_of(folder, text)
    assert len(found) == 1
    assert "The same frames would be One" in found[0]


def test_a_description_that_cannot_be_read_is_told_with_its_line(folder: Path) -> None:
    (folder / "pack.dbc").write_text("BO_ what?")
    found = faults_of(folder, SOUND)
    assert any("pack.dbc" in fault and "line 1" in fault for fault in found), found


def test_broken_toml_is_told_with_its_line(folder: Path) -> None:
    found = faults_of(folder, SOUND + "\n[[feed\n")
    assert len(found) == 1
    assert "line" in found[0]


def test_a_file_that_is_no_text_or_not_there_is_told(tmp_path: Path) -> None:
    path = tmp_path / "van.toml"
    assert "no such file" in ampledger("check", path).err
    path.write_bytes(b"\xff\xfe\x00")
    ran = ampledger("check", path)
    assert ran.code == 2
    assert "not UTF-8" in ran.err


def test_check_sums_up_a_sound_file_and_cautions() -> None:
    ran = ampledger("check", DATA / "can" / "n2k-van.toml")
    assert ran.code == 0
    assert "n2k-van.toml is sound." in ran.out
    assert "can0, listen-only" in ran.out
    assert "High voltage can kill" in ran.out


def test_settings_cannot_be_changed_afterwards() -> None:
    van = read_van(DATA / "ev" / "van.toml")
    with pytest.raises(ValueError, match="frozen"):
        van.settings.van.name = "other"
