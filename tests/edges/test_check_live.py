"""`ampledger check --listen`: who speaks, what can be, and which way it counts."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.commands.attending import Attended, attend
from logger.commands.checked_live import Finding, LiveCheck
from logger.decode.frames import Line
from logger.sources.inbox import Notice
from logger.sources.supervisor import Status
from logger.van.reading import Van, read_van
from tests.edges.devices import Talker, Terminal
from tests.running import ampledger

VAN = """
[van]
name = "Checked"

[[port]]
name = "meter"
device = "{device}"

[[line]]
name = "meter"
port = "meter"

[[feed]]
channel = "pack.current_a"
port = "meter"
line = "meter"
field = "amps"

[[feed]]
channel = "pack.voltage_v"
port = "meter"
line = "meter"
field = "volts"

[[feed]]
channel = "motor.dc_power_w"
port = "meter"
line = "meter"
field = "motor"

[[feed]]
channel = "charger.a.dc_current_a"
port = "meter"
line = "meter"
field = "charger"
"""


def van_file(folder: Path, device: object = "/dev/null") -> Path:
    path = folder / "van.toml"
    path.write_text(VAN.format(device=device))
    return path


@pytest.fixture
def van(tmp_path: Path) -> Van:
    return read_van(van_file(tmp_path))


def attended(n: int, *notices: Notice) -> Attended:
    status = Status("port meter", "open", "", 0, 1.0, 0)
    return Attended([status], notices, {"port meter": n}, 3_000_000)


def findings(van: Van, *lines: str) -> list[Finding]:
    live = LiveCheck(van)
    live.take(
        [Line(n * 1_000_000, n, "meter", t.encode()) for n, t in enumerate(lines)]
    )
    return live.findings(attended(len(lines)))


def looks(found: list[Finding]) -> dict[str, str]:
    return {each.name: each.text for each in found if each.needs_look}


SOUND = "amps=-40,volts=150,motor=6000,charger=0"


def test_what_can_be_needs_no_look(van: Van) -> None:
    found = findings(van, SOUND, SOUND, SOUND)
    assert looks(found) == {}
    texts = {each.name: each.text for each in found}
    assert texts["port meter"] == "3 heard in 3 s"
    assert texts["pack.current_a"] == "-40 A (positive: into the pack)"


def test_what_cannot_be_is_told_with_its_range(van: Van) -> None:
    found = looks(findings(van, "amps=-40,volts=150000,motor=0,charger=0"))
    assert "0 to 1500 can be" in found["pack.voltage_v"]


def test_a_channel_that_nobody_fed_is_told(van: Van) -> None:
    found = looks(findings(van, "amps=-40,volts=150"))
    assert found["motor.dc_power_w"] == "nothing was heard"


def test_what_is_no_number_is_told(van: Van) -> None:
    found = looks(findings(van, SOUND, "amps=x,volts=150"))
    assert any("not a number" in text for text in found.values())


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("amps=40,volts=150,motor=6000,charger=0", "while the motor draws"),
        ("amps=-10,volts=150,motor=0,charger=25", "while a charger delivers more"),
    ],
)
def test_a_current_that_counts_the_wrong_way_is_told(
    line: str, what: str, van: Van
) -> None:
    assert what in looks(findings(van, line, line))["pack.current_a"]


@pytest.mark.parametrize(
    "line",
    [
        "amps=-40,volts=150,motor=6000,charger=0",  # driving
        "amps=25,volts=150,motor=0,charger=25",  # charging
        "amps=20,volts=150,motor=-3000,charger=0",  # slowing down
        "amps=1,volts=150,motor=900,charger=0",  # a sensor's zero
    ],
)
def test_a_current_that_counts_the_right_way_is_left_alone(line: str, van: Van) -> None:
    assert looks(findings(van, line, line)) == {}


def test_it_says_how_to_find_out_the_sign(van: Van) -> None:
    trials = dict(LiveCheck(van).sign_trials)
    assert "flip = true" in trials["pack.current_a"]
    assert "aux.current_a" not in trials


def test_a_source_that_is_not_well_is_told(van: Van) -> None:
    notice = Notice(0, "port meter", "frames dropped", "3 thrown away so far")
    found = LiveCheck(van).findings(attended(0, notice))
    assert [each.text for each in found if each.name == "port meter"] == [
        "open, and nothing was heard",
        "frames dropped: 3 thrown away so far",
    ]


def test_a_port_that_is_not_there_is_told(tmp_path: Path) -> None:
    van = read_van(van_file(tmp_path, tmp_path / "nothing"))
    live = LiveCheck(van)
    found = live.findings(attend(van.settings, 0.3, live.take))
    assert looks(found)["port meter"].startswith("not there: ")


def test_a_channel_that_is_asked_for_is_not_missed(tmp_path: Path) -> None:
    path = van_file(tmp_path)
    text = path.read_text().replace('/dev/null"', '/dev/null"\npolled = true')
    path.write_text(text)
    van = read_van(path)
    found = LiveCheck(van).findings(Attended([], (), {}, 0))
    assert {each.text for each in found} == {
        "comes only when its port is asked; not tried here"
    }
    assert looks(found) == {}


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    made = Terminal(tmp_path)
    yield made
    made.pull()


def test_a_sound_van_that_speaks_ends_with_0_and_a_silent_one_with_3(
    tmp_path: Path, terminal: Terminal
) -> None:
    path = van_file(tmp_path, terminal.path)
    talker = Talker(lambda _: terminal.speak(SOUND.encode() + b"\n"), 0.05)
    spoken = ampledger("check", path, "--listen", "2")
    talker.stop()
    assert spoken.code == 0, spoken.out + spoken.err
    assert "Which way pack.current_a counts" in spoken.out
    terminal.pull()
    terminal.plug()
    silent = ampledger("check", path, "--listen", "0.5")
    assert silent.code == 3
    assert "! port meter" in silent.out
