"""From the van file to sources that run."""

from pathlib import Path

from logger.clock import Clock
from logger.sources.inbox import Inbox
from logger.sources.opening import supervisors
from logger.van.settings import BusSection, PortSection, Settings, VanSection
from tests.edges.devices import Listener, Terminal, Wire, until


def test_every_bus_and_port_has_a_source_that_runs(tmp_path: Path) -> None:
    wire, terminal, clock = Wire(), Terminal(tmp_path), Clock()
    settings = Settings(
        van=VanSection(name="Test"),
        buses=(BusSection(name="drive", interface=wire.channel, adapter="virtual"),),
        ports=(PortSection(name="roof", device=str(terminal.path)),),
    )
    inbox = Inbox(clock)
    listener = Listener(inbox)
    made = supervisors(settings, inbox, clock)
    assert [each.name for each in made] == ["bus drive", "port roof"]
    for each in made:
        each.start()
    assert until(lambda: all(each.status().state == "open" for each in made))
    wire.speak(7)
    terminal.speak(b"8\n")
    assert until(lambda: listener.numbers("drive") == [7])
    assert until(lambda: listener.numbers("roof") == [8])
    for each in made:
        each.stop()
    assert all(each.join(20.0) for each in made)
    wire.close()
    terminal.pull()


def test_a_port_that_has_to_be_asked_is_left_out() -> None:
    settings = Settings(
        van=VanSection(name="Test"),
        ports=(PortSection(name="roof", device="/dev/null", polled=True),),
    )
    clock = Clock()
    assert supervisors(settings, Inbox(clock), clock) == []
