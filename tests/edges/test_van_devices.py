"""Modbus devices in the van file, and what is asked of them."""

from pathlib import Path

import pytest

from logger.clock import Clock
from logger.decode.frames import Line
from logger.decode.modbus import Kind, Register, RegisterForm
from logger.decode.sunspec import SunSpecForm
from logger.errors import ConfigError
from logger.sources.inbox import Inbox
from logger.sources.opening import supervisors
from logger.van.reading import Van, read_van
from tests.builders import run, us

SOUND = """
[van]
name = "Test van"

[[port]]
name = "roof"
device = "/dev/ttyTEST0"
speaks = "modbus"
polled = true

[[device]]
name = "left"
port = "roof"
address = 3
registers = "solar"

[[device]]
name = "right"
port = "roof"
address = 4
registers = "solar"
period_s = 10.0

[[device]]
name = "box"
port = "roof"
address = 126
registers = "sunspec"

[[register]]
table = "solar"
field = "volts"
address = 100
scale = 0.1
missing = [65535]

[[register]]
table = "solar"
field = "energy"
function = 4
address = 200
kind = "u32"
order = "low-first"

[[string]]
name = "left"
rated_w = 400

[[feed]]
channel = "sun.left.voltage_v"
port = "roof"
line = "left"
field = "volts"

[[feed]]
channel = "meter.soc_pct"
port = "roof"
line = "box"
field = "battery.SoC"
"""


def read(folder: Path, text: str = SOUND) -> Van:
    """Return the van of a text."""
    path = folder / "van.toml"
    path.write_text(text)
    return read_van(path)


def test_devices_become_kinds_of_line(tmp_path: Path) -> None:
    left, right, box = read(tmp_path).spec.lines["roof"]
    assert isinstance(left, RegisterForm)
    assert left.name == "left"
    assert left.fields == ("volts",)
    assert left.registers == (
        Register("volts", 3, 100, scale=0.1, missing=frozenset({65535})),
        Register("energy", 4, 200, Kind.U32, is_low_first=True),
    )
    assert isinstance(right, RegisterForm)
    assert right.fields == ()
    assert isinstance(box, SunSpecForm)
    assert box.fields == ("battery.SoC",)


def test_what_they_answer_feeds_channels(tmp_path: Path) -> None:
    van = read(tmp_path)
    answers = [b"left 3 100 0fbc", b"left 3 100 ffff", b"right 3 100 0001"]
    items = [Line(us(n), n, "roof", line) for n, line in enumerate(answers)]
    outcome = run(van.spec, items)
    assert outcome.last("sun.left.voltage_v") == [pytest.approx(402.8)]
    assert outcome.closing.unmatched_lines == 1  # nothing is fed from it
    assert outcome.closing.refusals == ()


def test_only_devices_that_feed_something_are_asked(tmp_path: Path) -> None:
    van, clock = read(tmp_path), Clock()
    (made,) = supervisors(van.settings, Inbox(clock), clock, van.spec.lines)
    assert made.name == "port roof"
    devices = made._source._devices  # type: ignore[attr-defined]
    assert [(each.name, each.address, each.period_us) for each in devices] == [
        ("left", 3, 2_000_000),
        ("box", 126, 2_000_000),
    ]


@pytest.mark.parametrize("text", [
    SOUND.partition("[[feed]]")[0],
    SOUND.partition("[[device]]")[0],
    '[van]\nname = "x"\n[[port]]\nname = "roof"\ndevice = "/dev/x"\npolled = true\n',
])  # fmt: skip
def test_where_there_is_nothing_to_ask_no_port_is_opened(
    text: str, tmp_path: Path
) -> None:
    van, clock = read(tmp_path, text), Clock()
    assert supervisors(van.settings, Inbox(clock), clock, van.spec.lines) == []


@pytest.mark.parametrize(("old", "new", "told"), [
    ("polled = true", "", "[[port]] 1 polled: found false. A Modbus device only speaks "
     "when it is asked. Write polled = true at this port to let the program write its "
     "questions to it."),
    ('speaks = "modbus"', "", "[[device]] 1 port: found 'roof'. Write speaks = "),
    ('port = "roof"\naddress = 3', 'port = "rooof"\naddress = 3',
     "[[device]] 1 port: found 'rooof'. The nearest known is roof."),
    ("address = 4\n", "address = 3\n", "[[device]] 2 address: found 3. Give each"),
    ("address = 4\n", "address = 248\n", "[[device]] 2 address: found 248."),
    ('registers = "solar"', 'registers = "sollar"',
     "[[device]] 1 registers: found 'sollar'. Describe it as [[register]]s. "),
    ('table = "solar"', 'table = "sunspec"', "[[register]] 1 table: found 'sunspec'."),
    ('field = "energy"', 'field = "volts"', "[[register]] 2 field: found 'volts'."),
    ("address = 200", "address = 65535", "[[register]] 2 address: found 65535."),
    ("scale = 0.1", "scale = 0.0", "[[register]] 1 scale: found 0.0."),
    ("function = 4", "function = 6", "[[register]] 2 function: found 6."),
    ('field = "volts"\n\n[[feed]]', 'field = "vols"\n\n[[feed]]',
     "[[feed]] 1 field: found 'vols'. The nearest known is volts."),
    ('field = "battery.SoC"', 'field = "battery.SOC"', "[[feed]] 2 field: found"),
    ('line = "box"', 'line = "bix"', "[[feed]] 2 line: found 'bix'."),
    ("period_s = 10.0", "period_s = 0.0", "[[device]] 2 period_s: found 0.0."),
    ("[[string]]", '[[line]]\nname = "x"\nport = "roof"\n[[string]]',
     "[[line]] 1 port: found 'roof'. Leave this line out"),
])  # fmt: skip
def test_a_fault_names_place_value_and_remedy(
    old: str, new: str, told: str, tmp_path: Path
) -> None:
    assert old in SOUND
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, SOUND.replace(old, new, 1))
    found = [str(fault) for fault in caught.value.faults]
    assert any(told in fault for fault in found), found


@pytest.mark.parametrize(("old", "new"), [
    ('name = "left"\nport', 'nam = "left"\nport'),
    ('table = "solar"\nfield = "volts"', 'tabel = "solar"\nfield = "volts"'),
    ('name = "roof"\ndevice', 'device'),
    ('speaks = "modbus"', 'speaks = "modbuss"'),
])  # fmt: skip
def test_one_slip_is_one_fault(old: str, new: str, tmp_path: Path) -> None:
    assert old in SOUND
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, SOUND.replace(old, new, 1))
    assert len(caught.value.faults) == 1, [str(each) for each in caught.value.faults]
