"""A port on which devices are asked, against pymodbus' own server."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import serial

from logger.clock import Clock
from logger.decode.frames import Line, Rejected
from logger.decode.modbus import Ask, Kind, Register, RegisterForm
from logger.decode.sunspec import MARKER, SunSpecForm
from logger.errors import SourceError
from logger.sources.inbox import Inbox, Notice
from logger.sources.modbus_port import LineSettings, ModbusSource, PolledDevice, Wire
from logger.sources.supervisor import Supervisor
from logger.van.device_forms import sunspec_models
from tests.decode.test_sunspec import BATTERY, COMMON, STRINGS, words
from tests.edges.devices import Talker, Terminal, until
from tests.edges.modbus_line import TwoWire, serving, two_wire

TABLE = (
    Register("volts", 3, 100, scale=0.1),
    Register("amps", 3, 101, Kind.S16, scale=0.1),
    Register("energy", 4, 200, Kind.U32, is_low_first=True),
)
HELD = {100: [4028, 0xFF9C], 200: [0xD687, 0x0012]}
LINE = LineSettings(19_200)

Form = RegisterForm | SunSpecForm


def left(*fields: str, name: str = "left") -> RegisterForm:
    """Return a device with a table of registers."""
    return RegisterForm(name, TABLE, fields or ("volts", "amps", "energy"))


def device(form: Form, address: int, period_s: float = 0.1) -> PolledDevice:
    """Return a device that is asked."""
    return PolledDevice(form.name, address, int(period_s * 1e6), form.talk())


@dataclass
class Asking:
    """A port that is asked on, and what came of it so far."""

    inbox: Inbox
    supervisor: Supervisor
    lines: list[Line] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def has(self, is_so: Callable[[], bool]) -> bool:
        """Wait for something that takings bring; return whether it came."""

        def taken() -> bool:
            found = self.inbox.take()
            self.lines += [item for item in found.items if isinstance(item, Line)]
            self.notices += found.notices
            return is_so()

        return until(taken)

    def told(self, form: Form) -> list[dict[str, float | str]]:
        """Return what each answer of a device tells."""
        found = []
        for each in self.lines:
            values = form.decode(each.data) if form.takes(each.data) else ()
            assert not isinstance(values, Rejected)
            pairs = zip(form.fields, values, strict=False)
            found.append({name: value for name, value in pairs if value is not None})
        return [each for each in found if each]

    def words(self) -> list[tuple[str, str]]:
        """Return what was told of devices: source and kind."""
        return [(each.source, each.kind) for each in self.notices]


@contextmanager
def asking(wire: TwoWire, *devices: PolledDevice) -> Iterator[Asking]:
    """Ask the devices of a line."""
    clock = Clock()
    inbox = Inbox(clock)
    source = ModbusSource("roof", str(wire.ours.path), LINE, devices, inbox)
    supervisor = Supervisor(source, inbox, clock)
    supervisor.start()
    try:
        yield Asking(inbox, supervisor)
    finally:
        supervisor.stop()
        assert supervisor.join(20.0)


@pytest.mark.parametrize("echoes", [False, True])
def test_registers_of_a_real_device_come_in(tmp_path: Path, echoes: bool) -> None:
    form = left()
    with (
        two_wire(tmp_path, echoes) as wire,
        serving(wire, {3: HELD}),
        asking(wire, device(form, 3)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 4)
    assert port.lines[0].port == "roof"
    assert port.told(form)[:2] == [
        {"volts": pytest.approx(402.8), "amps": pytest.approx(-10.0)},
        {"energy": 1_234_567},
    ]


def test_a_device_that_describes_itself_is_found_and_read(tmp_path: Path) -> None:
    names = ("strings.1.DCA", "strings.2.DCV", "battery.SoC", "battery.A")
    form = SunSpecForm("box", sunspec_models(), names)
    chain = [*MARKER, *COMMON, *words(STRINGS), *BATTERY, 0xFFFF, 0]
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {126: {50_000: chain}}),
        asking(wire, device(form, 126)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 4)
        asked = wire.questions()
    assert port.told(form)[:2] == [
        {"strings.1.DCA": 8.12, "strings.2.DCV": 98.4},
        {"battery.SoC": 83.5, "battery.A": -45.3},
    ]
    # Looked for at 40000 and 0 first, where it refuses.
    assert [each.address for each in asked[:4]] == [40_000, 0, 50_000, 50_002]


def test_nothing_but_questions_is_ever_written(tmp_path: Path) -> None:
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: HELD}),
        asking(wire, device(left(), 3), device(left(name="gone"), 9)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 10)
        said, questions = list(wire.said), wire.questions()
    assert len(questions) == len(said)
    assert {each.function_code for each in questions} <= {3, 4}


def test_a_dead_device_is_told_once_and_the_others_go_on(tmp_path: Path) -> None:
    form = left("volts")
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: HELD}),
        asking(wire, device(left(name="gone"), 9), device(form, 3)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 20)
        to_dead = [each for each in wire.questions() if each.dev_id == 9]
    assert port.words() == [("port roof, device gone", "source lost")]
    # How rarely it is asked stands in the tests of the turns.
    assert len(to_dead) <= 3
    assert port.notices[0].text == "it does not answer"


def test_a_device_that_falls_silent_and_returns_is_told_both_times(
    tmp_path: Path,
) -> None:
    with two_wire(tmp_path) as wire, ExitStack() as stack:
        there = stack.enter_context(ExitStack())
        there.enter_context(serving(wire, {3: HELD}))
        port = stack.enter_context(asking(wire, device(left("volts"), 3)))
        assert port.has(lambda: len(port.lines) >= 2)
        there.close()
        lost = ("port roof, device left", "source lost")
        assert port.has(lambda: lost in port.words())
        before = len(port.lines)
        with serving(wire, {3: HELD}):
            assert port.has(lambda: len(port.lines) > before)
    assert port.words()[0] == lost
    assert ("port roof, device left", "source back") in port.words()


def test_registers_that_are_refused_leave_the_others_alone(tmp_path: Path) -> None:
    form = left("volts", "energy")
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: {100: [4028]}}),
        asking(wire, device(form, 3)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 3)
    assert port.told(form) == [{"volts": pytest.approx(402.8)}] * len(port.lines)
    assert port.notices == []


def test_a_device_that_refuses_everything_is_told(tmp_path: Path) -> None:
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: {7: [1]}}),
        asking(wire, device(left("volts"), 3)) as port,
    ):
        assert port.has(lambda: len(port.notices) >= 1)
    assert port.notices[0].text == "it refuses registers 100 to 100"


def test_an_adapter_that_is_pulled_and_comes_back_is_asked_on(tmp_path: Path) -> None:
    form = left("volts")
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: HELD}),
        asking(wire, device(form, 3)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 2)
        wire.pull()
        assert port.has(lambda: ("port roof", "source lost") in port.words())
        before = len(port.lines)
        wire.plug()
        assert port.has(lambda: len(port.lines) > before)
        assert port.has(lambda: ("port roof", "source back") in port.words())


def test_a_line_that_is_flooded_is_told_and_asked_again(tmp_path: Path) -> None:
    with (
        two_wire(tmp_path) as wire,
        serving(wire, {3: HELD}),
        asking(wire, device(left("volts"), 3)) as port,
    ):
        assert port.has(lambda: len(port.lines) >= 2)
        noise = Talker(lambda _: wire.shout(bytes(range(256)) * 8), 0.001)
        try:
            lost = ("port roof, device left", "source lost")
            assert port.has(lambda: lost in port.words())
        finally:
            noise.stop()
        before = len(port.lines)
        assert port.has(lambda: len(port.lines) > before)


def test_a_port_that_is_not_there_is_told(tmp_path: Path) -> None:
    port = ModbusSource("roof", str(tmp_path / "gone"), LINE, [], Inbox(Clock()))
    with pytest.raises(SourceError, match=r"port roof .*found no such file"):
        port.open()


@dataclass
class Box:
    """A box by hand, at the other end of an open port."""

    terminal: Terminal
    wire: Wire

    def answer(self, *answers: str) -> object:
        """Ask for register 107, and return what these answers come to."""
        for each in answers:
            self.terminal.speak(bytes.fromhex(each))
        return self.wire.await_answer(0x11, Ask(3, 107, 3), 0.2)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    terminal = Terminal(tmp_path)
    with serial.Serial(str(terminal.path), timeout=0.1) as port:
        yield Box(terminal, Wire(port, LineSettings(19_200, answer_s=0.05)))
    terminal.pull()


# Application Protocol Specification V1.1b3, 6.3 and 6.4, with the sums of the serial
# line specification; "SunS" at 40000.
@pytest.mark.parametrize(("address", "ask", "sent"), [
    (0x11, Ask(3, 107, 3), "11 03 00 6B 00 03 76 87"),
    (0x11, Ask(4, 8, 1), "11 04 00 08 00 01 B2 98"),
    (0x01, Ask(3, 0, 10), "01 03 00 00 00 0A C5 CD"),
    (0x01, Ask(3, 40_000, 2), "01 03 9C 40 00 02 EB 8F"),
])  # fmt: skip
def test_a_question_is_the_published_one(
    address: int, ask: Ask, sent: str, box: Box
) -> None:
    assert box.wire.exchange(address, ask) == "silence"
    assert box.terminal.written() == bytes.fromhex(sent)


@pytest.mark.parametrize(("answer", "registers"), [
    ("11 03 06 02 2B 00 00 00 64 C8 BA", [555, 0, 100]),
    ("FF 11 03 06 02 2B 00 00 00 64 C8 BA", [555, 0, 100]),  # noise before it
    ("11 03 06 02 2B 00 00 00 64 C8 BB", None),              # a wrong sum
    ("11 03 06 02 2B 00 00 00 64", None),                    # it breaks off
    # the question itself, heard by its own adapter
    ("11 03 00 6B 00 03 76 87 11 03 06 02 2B 00 00 00 64 C8 BA", [555, 0, 100]),
    ("12 03 06 02 2B 00 00 00 64 FB BA", None),              # somebody else
    ("", None),
    ("FF" * 1500, None),                                     # somebody does not stop
])  # fmt: skip
def test_an_answer_is_taken_only_whole_and_sound(
    answer: str, registers: list[int] | None, box: Box
) -> None:
    pdu = box.answer(answer)
    assert (None if pdu is None else getattr(pdu, "registers", None)) == registers


def test_a_published_refusal_is_one(box: Box) -> None:
    pdu = box.answer("11 83 02 C1 34")
    assert getattr(pdu, "exception_code", None) == 2
