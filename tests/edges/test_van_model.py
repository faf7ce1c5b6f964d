"""The invented van speaks: frames at their periods, lines, faults, and no real bus."""

import os
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import can
import pytest

from logger.clock import Clock
from logger.decode.checksums import Checksum
from logger.decode.text_lines import LineForm
from logger.errors import SourceError
from replay.van_model.boxes import start_state
from replay.van_model.faults import FLOOD_ID, Faults
from replay.van_model.files import CHANNELS
from replay.van_model.lines import LINE_END, sealed
from replay.van_model.ports import PortWriter
from replay.van_model.speaking import Speaker
from replay.van_model.stage import PortEnd, Stage, open_bus, open_port, open_stage
from tests.running import ampledger

FAST = 20.0
PATIENCE_S = 60.0
"""The computer's own time; long, because others may be busy on it."""

MOTOR, PACK, CELLS, ROAD = 674, 593, 594, 721
WHOLE = LineForm("any", "", ",", Checksum.XOR, None, ())


def until(is_so: Callable[[], bool]) -> None:
    """Wait until something is so."""
    for _ in range(round(PATIENCE_S / 0.005)):
        if is_so():
            return
        threading.Event().wait(0.005)
    raise AssertionError("waited in vain")


class Scene:
    """A speaking van and ears on everything that it speaks on."""

    def __init__(self, stage: Stage, ears: dict[str, can.BusABC]) -> None:
        self.clock = Clock(speed=FAST)
        self.speaker = Speaker(start_state(), self.clock, stage.buses, stage.fds)
        self.stage = stage
        self.frames: dict[str, list[can.Message]] = {name: [] for name in ears}
        self.bytes: dict[str, bytes] = dict.fromkeys(stage.ports, b"")
        self._ears = ears
        self._files = {
            name: os.open(port.device, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
            for name, port in stage.ports.items()
        }

    def hear(self) -> None:
        """Take in what was said so far."""
        for name, ear in self._ears.items():
            while (message := ear.recv(timeout=0)) is not None:
                self.frames[name].append(message)
        for name, fd in self._files.items():
            try:
                self.bytes[name] += os.read(fd, 65536)
            except BlockingIOError:
                continue

    def hear_for(self, seconds: float) -> None:
        """Listen until the van has lived some more seconds of its own time."""
        end_us = self.speaker.state.t_us + round(seconds * 1e6)

        def is_over() -> bool:
            self.hear()
            return self.speaker.state.t_us >= end_us

        until(is_over)
        self.hear()

    def forget(self) -> None:
        """Forget what was heard."""
        self.hear()
        self.frames = {name: [] for name in self.frames}
        self.bytes = dict.fromkeys(self.bytes, b"")

    def lines(self, port: str) -> list[bytes]:
        """Return the whole lines that were heard on a port."""
        return self.bytes[port].split(LINE_END)[:-1]

    def close(self) -> None:
        """Silence the van and put the ears away."""
        self.speaker.stop()
        self.speaker.join(PATIENCE_S)
        for fd in self._files.values():
            os.close(fd)


@contextmanager
def scene() -> Iterator[Scene]:
    """Open a van and ears; it speaks as soon as it is started."""
    with ExitStack() as stack:
        ears = {
            name: stack.enter_context(open_bus(channel))
            for name, channel in CHANNELS.items()
        }
        played = Scene(stack.enter_context(open_stage()), ears)
        stack.callback(played.close)
        yield played


@pytest.fixture
def van() -> Iterator[Scene]:
    """A van that speaks at twenty times the computer's time."""
    with scene() as played:
        played.speaker.start()
        yield played


def ids(messages: list[can.Message]) -> Counter[int]:
    """Return how many frames came with each identifier."""
    return Counter(message.arbitration_id for message in messages)


def test_frames_come_at_their_periods_at_twenty_times_the_speed(van: Scene) -> None:
    van.hear_for(30.0)
    count = ids(van.frames["drive"])
    seconds = count[MOTOR] / 20.0
    assert seconds >= 29.0
    # Not one is left out: how many came of one kind tells how many of the others.
    assert count[PACK] == pytest.approx(10.0 * seconds, abs=1.0)
    assert count[ROAD] == pytest.approx(10.0 * seconds, abs=1.0)
    assert count[CELLS] == pytest.approx(seconds, abs=1.0)
    assert len(van.frames["house"]) == pytest.approx(5.0 * seconds, abs=5.0)
    assert all(message.is_extended_id for message in van.frames["house"])


def test_the_van_is_never_ahead_of_the_clock(van: Scene) -> None:
    for _ in range(20):
        van.hear_for(0.5)
        # One step ahead: the state that will be spoken next.
        assert van.speaker.state.t_us <= van.clock.mono_us() + 50_000


def test_every_line_comes_once_a_second_with_its_checksum(van: Scene) -> None:
    van.hear_for(10.0)
    motor = ids(van.frames["drive"])[MOTOR] / 20.0
    for port, a_second in (("roof", 4), ("meter", 1)):
        lines = van.lines(port)
        # A port whose reader is kept waiting loses lines, as a real one does.
        assert 0.5 * a_second * motor < len(lines) < a_second * (motor + 2.0)
        assert all(WHOLE.decode(line) == () for line in lines)


def test_a_muted_bus_falls_silent_and_the_others_go_on(van: Scene) -> None:
    van.speaker.mute("drive")
    van.hear_for(0.5)
    van.forget()
    van.hear_for(4.0)
    assert van.frames["drive"] == []
    assert van.frames["house"]
    assert van.lines("roof")
    van.speaker.mend("drive")
    van.hear_for(2.0)
    assert van.frames["drive"]


def test_a_garbled_port_s_lines_fail_their_checksum(van: Scene) -> None:
    van.speaker.garble("roof")
    van.hear_for(1.0)
    van.forget()
    van.hear_for(4.0)
    assert van.lines("roof")[1:]
    assert all(WHOLE.decode(line) != () for line in van.lines("roof")[1:])
    assert all(WHOLE.decode(line) == () for line in van.lines("meter")[1:])


def test_a_flooded_bus_carries_its_own_frames_too(van: Scene) -> None:
    van.speaker.flood("house", 400.0)
    van.hear_for(1.0)
    van.forget()
    van.hear_for(5.0)
    count = ids(van.frames["house"])
    assert count[FLOOD_ID] > 1500
    assert sum(count.values()) - count[FLOOD_ID] > 15


def test_a_bus_that_is_closed_costs_the_others_nothing(van: Scene) -> None:
    van.stage.buses["house"].shutdown()
    van.hear_for(2.0)
    van.forget()
    van.hear_for(2.0)
    assert van.frames["house"] == []
    assert van.frames["drive"]


def test_a_stopped_van_says_nothing_more(van: Scene) -> None:
    van.hear_for(1.0)
    van.speaker.stop()
    van.speaker.join(PATIENCE_S)
    van.forget()
    threading.Event().wait(0.1)
    van.hear()
    assert van.frames["drive"] == []


class Wire(can.BusABC):
    """A bus as python-can has them, that might be wired to a vehicle."""

    def __init__(self) -> None:
        super().__init__(channel="can0")

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Never called."""
        raise AssertionError("sent onto a real bus")

    def _recv_internal(self, timeout: float | None) -> tuple[Any, bool]:
        return None, False


def test_a_bus_that_is_not_virtual_is_refused() -> None:
    with Wire() as wire, pytest.raises(SourceError, match="virtual buses only"):
        Speaker(start_state(), Clock(), {"drive": wire}, {})


@pytest.fixture
def port() -> Iterator[PortEnd]:
    """A pseudo-terminal."""
    with open_port() as opened:
        yield opened


def test_a_port_that_nobody_reads_loses_lines_and_never_blocks(port: PortEnd) -> None:
    writer = PortWriter(port.fd)
    written = [writer.write(sealed(f"line={n}") + LINE_END) for n in range(20_000)]
    assert written[0]
    assert not written[-1]
    # What is left of the old lines are whole ones, and new ones follow them.
    far = os.open(port.device, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    heard = b""
    for n in range(400):
        try:
            heard += os.read(far, 4096)
        except BlockingIOError:
            writer.write(sealed(f"new={n}") + LINE_END)
    os.close(far)
    lines = heard.split(LINE_END)[:-1]
    assert all(WHOLE.decode(line) == () for line in lines)
    assert any(line.startswith(b"new=") for line in lines)


def test_what_is_written_arrives_as_it_is(port: PortEnd) -> None:
    far = os.open(port.device, os.O_RDONLY | os.O_NOCTTY)
    data = bytes(byte for byte in range(256))
    PortWriter(port.fd).write(data)
    assert os.read(far, 1000) == data
    os.close(far)


def test_a_fault_of_an_unknown_bus_is_refused() -> None:
    with pytest.raises(ValueError, match="no bus or port 'driev'"):
        Faults(frozenset({"drive"})).mute("driev")


def test_a_mended_box_is_sound() -> None:
    faults = Faults(frozenset({"roof", "house"}))
    faults.garble("roof")
    faults.flood("house", 100.0)
    faults.mute("roof")
    faults.mend("roof")
    faults.mend("house")
    assert not faults.is_mute("roof")
    assert faults.damaged("roof", b"abc") == b"abc"
    assert faults.flooding(1.0) == []


def test_a_flood_has_the_rate_that_was_asked_for() -> None:
    faults = Faults(frozenset({"house"}))
    faults.flood("house", 33.0)
    assert sum(len(faults.flooding(0.05)) for _ in range(200)) in (329, 330)


def test_a_demo_says_where_it_cannot_be_kept(tmp_path: Path) -> None:
    occupied = tmp_path / "file"
    occupied.touch()
    ran = ampledger("demo", "--into", occupied / "demo")
    assert ran.code == 2
    assert f"nothing can be kept in {occupied / 'demo'}" in ran.err
