"""Bundled tables, long messages and equal boxes, as a van file tells of them."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.decode.assembly import LongGroups
from logger.decode.fault_codes import FaultFamily
from logger.errors import ConfigError
from logger.van.reading import Van, read_van
from tests.running import ampledger

LONG = """VERSION ""
BS_:
BU_: Box
BO_ 2582581246 Long: 12 Box
 SG_ charge : 64|8@1+ (0.5,0) [0|0] "%" Box
"""
"""An invented group 1EF00 of twelve bytes."""

HEAD = """
[van]
name = "Test van"

[[bus]]
name = "house"
interface = "can0"

[[description]]
bus = "house"
"""
FEED = """
[[feed]]
channel = "{channel}"
bus = "house"
message = "{message}"
signal = "{signal}"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "long.dbc").write_text(LONG)
    return tmp_path


def feed(channel: str, message: str, signal: str) -> str:
    """Return a feed of the bus `house`."""
    return FEED.format(channel=channel, message=message, signal=signal)


SOC = feed("meter.soc_pct", "DC_SOURCE_STATUS_2", "state_of_charge")
AMPS = feed("meter.current_a", "DC_SOURCE_STATUS_1", "current")
CHARGE = feed("meter.soc_pct", "Long", "charge")


def van(folder: Path, text: str) -> Van:
    """Return what a van file comes to."""
    path = folder / "van.toml"
    path.write_text(text)
    return read_van(path)


def faults_of(folder: Path, text: str) -> list[str]:
    """Return what is wrong with a van file, one line a fault."""
    try:
        van(folder, text)
    except ConfigError as err:
        return [str(fault) for fault in err.faults]
    return []


def test_a_bundled_table_is_a_description_and_is_named_in_the_check(
    folder: Path,
) -> None:
    text = HEAD + 'bundled = "rv-c"\n' + SOC
    read = van(folder, text)
    assert read.spec.messages["house"]
    assert read.spec.faults == {"house": {FaultFamily.RV_C}}
    assert read.spec.long_groups == {}
    ran = ampledger("check", folder / "van.toml")
    assert ran.code == 0
    assert "bundled rv-c, SHA-256" in ran.out


def test_where_no_source_gives_a_sign_the_van_file_has_to(folder: Path) -> None:
    text = HEAD + 'bundled = "rv-c"\n' + AMPS
    (fault,) = faults_of(folder, text)
    assert fault.startswith("van.toml [[feed]] 1 flip: found nothing. ")
    for words in ("flip = false", "switch on a load with no sun", "must be negative"):
        assert words in fault
    for sign, scale in (("false", 1.0), ("true", -1.0)):
        told = van(folder, f"{text}flip = {sign}\n")
        (bound,) = told.spec.message_feeds["house", "DC_SOURCE_STATUS_1"]
        assert bound.scale == scale


def test_a_charger_delivers_and_needs_no_sign(folder: Path) -> None:
    text = feed("charger.a.dc_current_a", "CHARGER_STATUS", "current")
    assert faults_of(folder, HEAD + 'bundled = "rv-c"\n' + text) == []


@pytest.mark.parametrize(("key", "groups"), [
    ('"transport"', {"house": LongGroups(transport=frozenset({0x1EF00}))}),
    ('"fast-packet"', {"house": LongGroups(fast=frozenset({0x1EF00}))}),
    ('"none"', {}),
])  # fmt: skip
def test_a_description_says_how_its_long_messages_come(
    key: str, groups: dict[str, LongGroups], folder: Path
) -> None:
    text = f'{HEAD}file = "long.dbc"\nmatch = "group"\nlong_messages = {key}\n'
    assert van(folder, text + CHARGE).spec.long_groups == groups
    # Nothing is put together that feeds nothing.
    assert van(folder, text).spec.long_groups == {}


def test_a_long_message_of_which_nobody_says_how_it_comes_is_a_fault(
    folder: Path,
) -> None:
    text = HEAD + 'file = "long.dbc"\nmatch = "group"\n'
    (fault,) = faults_of(folder, text + CHARGE)
    assert "[[description]] 1 long_messages: found nothing" in fault
    assert "message Long of 12 bytes" in fault
    assert faults_of(folder, text) == []  # it feeds nothing
    # By its identifier a frame is taken as it is.
    assert faults_of(folder, HEAD + 'file = "long.dbc"\n' + CHARGE) == []


def test_lists_of_fault_codes_are_put_together_whatever_is_fed(folder: Path) -> None:
    read = van(folder, HEAD + 'bundled = "j1939"\n')
    assert read.spec.faults == {"house": {FaultFamily.J1939}}
    groups = LongGroups(transport=frozenset({0xFECA}))
    assert read.spec.long_groups == {"house": groups}


def test_a_feed_may_mean_one_of_several_boxes(folder: Path) -> None:
    only = "only = { instance = 1, device_priority = 120 }\naddress = 70\n"
    read = van(folder, HEAD + 'bundled = "rv-c"\n' + SOC + only)
    (bound,) = read.spec.message_feeds["house", "DC_SOURCE_STATUS_2"]
    assert bound.only == ((0, 1.0), (1, 120.0))
    assert bound.address == 70


@pytest.mark.parametrize(("text", "told"), [
    ("", "[[description]] 1 file: found nothing. Give one of the two"),
    ('file = "long.dbc"\nbundled = "rv-c"\n', "bundled: found a table beside a file"),
    ('bundled = "rvc"\n', 'one of "j1939", "rv-c", "canopen"'),
    ('bundled = "rv-c"\n' + SOC + "only = { instnce = 1 }\n",
     "[[feed]] 1 only: found 'instnce'. The nearest known is instance."),
    ('bundled = "rv-c"\n' + SOC + "address = 256\n", "at most 255"),
    ('bundled = "rv-c"\n\n[[table]]\nname = "record"\ntime = "t"\n\n[[feed]]\n'
     'channel = "meter.soc_pct"\ntable = "record"\ncolumn = "soc"\naddress = 7\n',
     "[[feed]] 1: found only or address. Leave"),
    ('bundled = "rv-c"\n\n[[description]]\nbus = "house"\nbundled = "fast-packet"\n',
     "[[description]] 2 bundled: found message CHARGER_STATUS again"),
])  # fmt: skip
def test_a_fault_names_place_value_and_remedy(
    text: str, told: str, folder: Path
) -> None:
    found = faults_of(folder, HEAD + text)
    assert len(found) == 1, found
    assert told in found[0]


def test_fault_codes_become_events(folder: Path) -> None:
    path, log, frames = (folder / n for n in ("van.toml", "van.db", "drive.log"))
    path.write_text(HEAD + 'bundled = "j1939"\n')
    # Ten bytes from address 00 by BAM: two codes; then none.
    frames.write_text(
        "(1700000000.000000) can0 18ECFF00#200A0002FFCAFE00\n"
        "(1700000000.100000) can0 18EBFF00#0154FFB804030A5B\n"
        "(1700000000.200000) can0 18EBFF00#02000301FFFFFFFF\n"
        "(1700000001.200000) can0 18FECA00#00FF00000000FFFF\n"
    )
    ran = ampledger("replay", "--van", path, "--into", log, frames)
    assert ran.code == 3  # nothing in it feeds a channel
    with closing(sqlite3.connect(log)) as db:
        events = db.execute("SELECT t_us, kind, text FROM event ORDER BY t_us, text")
        rows = [row for row in events if row[1].startswith("fault")]
    told = [(t_us, kind, text.split("SPN ")[1][:4]) for t_us, kind, text in rows]
    assert told == [
        (200_000, "fault", "1208"),
        (200_000, "fault", "91, "),
        (1_200_000, "fault gone", "1208"),
        (1_200_000, "fault gone", "91, "),
    ]
    assert rows[-1][2] == "bus house, address 00 no longer tells SPN 91, FMI 3."
