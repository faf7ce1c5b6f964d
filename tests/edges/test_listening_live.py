"""Listening to buses and ports as they are, bit rates tried, and the draft."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.commands.attending import attend, silent
from logger.decode.frames import Raw
from logger.errors import StoreError
from logger.van.reading import read_van
from logger.van.settings import BusSection, PortSection, Settings, VanSection
from replay.listening.described import given
from replay.listening.drafting import write_draft
from replay.listening.heard import Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import LineEar
from replay.listening.live import RateTrial, hear_live
from tests.edges.devices import Talker, Terminal, Wire
from tests.edges.test_listening import DBC, frame
from tests.running import DATA, ampledger

SECONDS = 1.0


def settings(*buses: BusSection, ports: tuple[PortSection, ...] = ()) -> Settings:
    return Settings(van=VanSection(name="Test"), buses=buses, ports=ports)


def nobody() -> Hearing:
    return Hearing(Ear(()), LineEar())


@contextmanager
def talking(*talkers: Talker) -> Iterator[None]:
    """Let some talk meanwhile, and then fall silent."""
    try:
        yield
    finally:
        for each in talkers:
            each.stop()


def test_what_talks_now_is_heard(tmp_path: Path) -> None:
    wire, terminal, hearing = Wire(), Terminal(tmp_path), nobody()
    van = settings(
        BusSection(name="drive", interface=wire.channel, adapter="virtual"),
        ports=(PortSection(name="roof", device=str(terminal.path)),),
    )
    talkers = (
        Talker(wire.speak, 0.01),
        Talker(lambda n: terminal.speak(b"n=%d\n" % n), 0.01),
    )
    with talking(*talkers):
        hear_live(hearing, van, SECONDS)
    (each,) = hearing.ear.buses["drive"].identifiers.values()
    assert each.can_id == 0x123
    assert each.n > 1
    assert hearing.lines.ports["roof"].kinds["n"].n > 1
    assert not hearing.needs_look
    wire.close()
    terminal.pull()


def test_who_is_silent_or_not_there_is_told(tmp_path: Path) -> None:
    wire, hearing = Wire(), nobody()
    van = settings(
        BusSection(name="drive", interface=wire.channel, adapter="virtual"),
        ports=(
            PortSection(name="roof", device=str(tmp_path / "nothing")),
            PortSection(name="asked", device="/dev/null", polled=True),
        ),
    )
    hear_live(hearing, van, 0.3)
    told = "\n".join(hearing.remarks)
    assert "bus drive: open, and nothing was heard." in told
    assert "port roof: " in told
    assert "port asked speaks only when it is asked" in told
    assert hearing.needs_look
    wire.close()


def test_no_bus_is_acknowledged_and_no_port_asked() -> None:
    van = settings(
        BusSection(name="drive", interface="can0", mode="acknowledge"),
        ports=(PortSection(name="asked", device="/dev/null", polled=True),),
    )
    assert [bus.mode for bus in silent(van).buses] == ["listen-only"]
    assert silent(van).ports == ()


def test_what_came_in_at_the_end_is_handed_on() -> None:
    wire, got = Wire(), list[Raw]()
    van = settings(BusSection(name="drive", interface=wire.channel, adapter="virtual"))
    with talking(Talker(wire.speak, 0.001)):
        attended = attend(van, 0.3, got.extend)
    assert attended.heard == {"bus drive": len(got)}
    wire.close()


class RatedAdapter:
    """A text adapter on whose bus somebody talks at 250 kbit/s."""

    def __init__(self, folder: Path, said: bytes = b"t1002AABB\r") -> None:
        self.terminal = Terminal(folder)
        self.told = b""
        self._said = said
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live)
        self._thread.start()

    def _live(self) -> None:
        answered, rate, is_open = 0, b"", False
        while not self._stop.wait(0.005):
            self.told += self.terminal.written()
            for command in self.told.split(b"\r")[answered:-1]:
                answered += 1
                rate = command if command[:1] == b"S" else rate
                is_open = command == b"L" or (is_open and command != b"C")
                self.terminal.speak(b"\r")
            if is_open and rate == b"S5":
                self.terminal.speak(self._said)

    def let_go(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join()
        self.terminal.pull()


def test_the_bit_rate_is_found_by_listening_only(tmp_path: Path) -> None:
    adapter = RatedAdapter(tmp_path)
    device = str(adapter.terminal.path)
    van = settings(BusSection(name="drive", interface=device, adapter="slcan"))
    trial = RateTrial(0.6)
    tried = trial.tried(van)
    adapter.let_go()
    assert [bus.bit_rate for bus in tried.buses] == [250_000]
    assert "bit_rate = 250000 it is." in trial.remarks[0]
    assert b"O\r" not in adapter.told  # which would acknowledge


def test_what_is_wrong_on_an_open_bus_is_told(tmp_path: Path) -> None:
    adapter = RatedAdapter(tmp_path, said=b"t1002AABB\rtxyz\r")
    device = str(adapter.terminal.path)
    bus = BusSection(name="drive", interface=device, adapter="slcan", bit_rate=250_000)
    hearing = nobody()
    hear_live(hearing, settings(bus), SECONDS)
    adapter.let_go()
    assert hearing.ear.buses["drive"].n > 0
    assert any("errors, unreadable lines" in each for each in hearing.remarks)
    assert hearing.needs_look


@pytest.mark.parametrize(
    ("adapter", "what"),
    [
        ("socketcan", "ip link set can0 type can bitrate 250000 listen-only on"),
        ("virtual", "has no bit rate"),
        ("serial", "cannot be told to listen only"),
    ],
)
def test_where_no_rate_can_be_tried_the_reason_is_told(adapter: str, what: str) -> None:
    trial = RateTrial(0.1)
    van = settings(BusSection(name="drive", interface="can0", adapter=adapter))
    assert trial.tried(van) == van
    assert what in trial.remarks[0]


def test_a_bus_that_is_silent_at_every_rate_keeps_its_own(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    bus = BusSection(name="drive", interface=str(terminal.path), adapter="slcan")
    trial = RateTrial(0.3, rates=(125_000,))
    assert trial.tried(settings(bus)).buses == (bus,)
    assert "none of them is it" in trial.remarks[0]
    terminal.pull()


# --- the draft ---


def draft(folder: Path, *words: str | Path) -> Path:
    path = folder / "draft.toml"
    ran = ampledger("listen", *words, "--draft", path)
    assert ran.code == 0, ran.err
    return path


def test_a_draft_is_a_sound_van_file(tmp_path: Path) -> None:
    can = DATA / "can"
    log = can / "ev-can-power-cycle.log.gz"
    path = draft(tmp_path, "--from", log, "--with", can / "ev-powertrain.dbc")
    checked = ampledger("check", path)
    assert checked.code == 0, checked.err
    van = read_van(path)
    assert [bus.interface for bus in van.settings.buses] == ["can0", "can1"]
    (description,) = van.settings.descriptions
    assert description.bus == "can0"
    # It reads the same recording again.
    ran = ampledger("listen", path, "--from", log, "--json")
    first, second = json.loads(ran.out)["buses"]
    assert (first["is_in_van_file"], second["is_in_van_file"]) == (True, True)
    assert first["described_by"] == [description.file]
    assert second["described_by"] == []


def test_a_bundled_table_is_drafted_by_its_name(tmp_path: Path) -> None:
    file = DATA / "can" / "j1939-machine-start.log.gz"
    van = read_van(draft(tmp_path, "--from", file, "--with", "j1939"))
    assert [each.bundled for each in van.settings.descriptions] == ["j1939"]


def test_a_receiver_is_drafted_as_what_it_is(tmp_path: Path) -> None:
    file = DATA / "gps" / "nmea-walk.nmea.gz"
    van = read_van(draft(tmp_path, "--from", file, "--by-sentences"))
    (port,) = van.settings.ports
    assert port.speaks == "nmea"


def test_names_of_a_draft_are_those_of_a_van_file(tmp_path: Path) -> None:
    hearing = nobody()
    buses = ("?channel 1", "?1", "?Über\n]]", "?channel-1", "?" + "x" * 60)
    hearing.take(frame(0, 0x100, "00", bus) for bus in buses)
    path = tmp_path / "draft.toml"
    write_draft(hearing, path)
    van = read_van(path)
    assert len(van.settings.buses) == len(buses)
    assert van.settings.buses[0].name == "channel_1"


def test_two_descriptions_of_one_message_are_not_both_drafted(tmp_path: Path) -> None:
    for name in ("a.dbc", "b.dbc"):
        (tmp_path / name).write_text(DBC)
    files = [str(tmp_path / name) for name in ("a.dbc", "b.dbc")]
    hearing = Hearing(Ear(given(files)), LineEar())
    hearing.take([frame(0, 0x100, "9CFFDC05")])
    path = tmp_path / "draft.toml"
    write_draft(hearing, path)
    assert [each.file for each in read_van(path).settings.descriptions] == ["a.dbc"]
    assert 'signal = "Current": -10 A' in path.read_text()


def test_a_draft_replaces_no_file(tmp_path: Path) -> None:
    path = tmp_path / "van.toml"
    path.write_text("mine")
    with pytest.raises(StoreError, match="none is replaced"):
        write_draft(nobody(), path)
    assert path.read_text() == "mine"
