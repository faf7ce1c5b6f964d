"""A serial-line CAN adapter: what it is told, what comes in, pulled and garbled."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.clock import Clock
from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.slcan import SlcanSource
from tests.edges.devices import Listener, Terminal, attended, until


class Adapter:
    """An adapter on a pseudo-terminal that answers what it is told.

    Attributes:
        terminal: The line to it.
        told: All that was written to it.
    """

    def __init__(self, folder: Path, refuses: bytes = b"") -> None:
        self.terminal = Terminal(folder)
        self.told = b""
        self._refuses = refuses
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live)
        self._thread.start()

    def _live(self) -> None:
        answered = 0
        while not self._stop.wait(0.002):
            self.told += self.terminal.written()
            for command in self.told.split(b"\r")[answered:-1]:
                answered += 1
                self.terminal.speak(b"\a" if command == self._refuses else b"\r")

    def let_go(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join()
        self.terminal.pull()


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[Adapter]:
    made = Adapter(tmp_path)
    yield made
    made.let_go()


def source(
    inbox: Inbox, device: object, bit_rate: int | None = 500_000, listens: bool = True
) -> SlcanSource:
    """Return the bus `drive`."""
    return SlcanSource("drive", str(device), bit_rate, listens, inbox)


@pytest.mark.parametrize(("bit_rate", "listens", "told"), [
    (500_000, True, b"C\rS6\rL\rC\r"),
    (250_000, True, b"C\rS5\rL\rC\r"),
    (None, True, b"C\rL\rC\r"),
    (125_000, False, b"C\rS4\rO\rC\r"),
])  # fmt: skip
def test_an_adapter_is_told_how_to_open_its_bus_and_nothing_else(
    adapter: Adapter, bit_rate: int | None, listens: bool, told: bytes
) -> None:
    inbox = Inbox(Clock())
    listener = Listener(inbox)
    bus = source(inbox, adapter.terminal.path, bit_rate, listens)
    with attended(inbox, Clock(), bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        assert until(lambda: told.startswith(adapter.told) and adapter.told != b"")
        assert until(lambda: adapter.told == told[:-2])
        adapter.terminal.speak(b"t1230\r" * 300 + b"rubbish\r")
        assert until(lambda: len(listener.data("drive")) == 300)
    assert until(lambda: adapter.told == told)


def test_frames_come_in_and_rubbish_is_counted_and_told(adapter: Adapter) -> None:
    inbox = Inbox(Clock())
    listener = Listener(inbox)
    bus = source(inbox, adapter.terminal.path)
    with attended(inbox, Clock(), bus) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        adapter.terminal.speak(b"\r\rt1232AABB\rtxyz\rT18FF001010")
        adapter.terminal.speak(b"7\rr1238\r" + b"t12310F\r" * 600)
        assert until(lambda: len(listener.data("drive")) == 602)
        condition = supervisor.status().condition
    assert listener.data("drive")[:3] == [b"\xaa\xbb", b"\x07", b"\x0f"]
    assert (bus.reader.refused_lines, bus.reader.remote_frames) == (1, 1)
    assert (condition.errors, condition.text) == (1, "unreadable lines (1)")
    (notice,) = [each for each in listener.notices if each.kind == "bus error"]
    assert notice.text == "unreadable lines, 1 so far"


def test_an_adapter_that_cannot_only_listen_is_never_told_to_speak(
    tmp_path: Path,
) -> None:
    adapter = Adapter(tmp_path, refuses=b"L")
    with pytest.raises(SourceError, match="refuses the command L"):
        source(Inbox(Clock()), adapter.terminal.path).open()
    assert until(lambda: adapter.told == b"C\rS6\rL\r")
    assert not adapter.terminal.is_held()
    adapter.let_go()


def test_one_that_was_closed_already_may_refuse_to_close(tmp_path: Path) -> None:
    adapter = Adapter(tmp_path, refuses=b"C")
    source(Inbox(Clock()), adapter.terminal.path).open().close()
    adapter.let_go()


def test_an_adapter_that_answers_nothing_is_heard_all_the_same(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    listener = Listener(inbox)
    with attended(inbox, Clock(), source(inbox, terminal.path)) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        terminal.speak(b"t12310F\r")
        assert until(lambda: listener.data("drive") == [b"\x0f"])
    terminal.pull()


def test_a_pulled_adapter_is_told_again_and_heard(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    listener = Listener(inbox)
    with attended(inbox, Clock(), source(inbox, terminal.path)) as (supervisor,):
        assert until(lambda: supervisor.status().state == "open")
        terminal.speak(b"t12310F\rt12")
        assert until(lambda: listener.data("drive") == [b"\x0f"])
        terminal.pull()
        assert until(lambda: supervisor.status().state == "lost")
        terminal.plug()
        assert until(lambda: supervisor.status().state == "open")
        terminal.speak(b"t12310E\r")
        assert until(lambda: listener.data("drive") == [b"\x0f", b"\x0e"])
    assert listener.told("bus drive") == ["source lost", "source back"]
    assert terminal.written().startswith(b"C\rS6\rL\r")
    terminal.pull()


def test_a_bit_rate_without_a_word_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="found a bit rate of 333000"):
        source(Inbox(Clock()), tmp_path / "box", 333_000).open()


@pytest.mark.parametrize("device", ["nosuch", "nosuch@1000000", "nosuch@fast"])
def test_what_is_not_there_says_where_and_what_to_do(
    tmp_path: Path, device: str
) -> None:
    bus = source(Inbox(Clock()), tmp_path / device)
    assert bus.sign() == ""
    with pytest.raises(SourceError) as caught:
        bus.open()
    (fault,) = caught.value.faults
    assert fault.where == f"bus drive ({tmp_path / 'nosuch'})"
    assert fault.fix.endswith(".")
