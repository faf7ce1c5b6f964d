"""A serial port with Modbus RTU devices, which only speak when they are asked.

The only module that writes to a port, and it writes nothing but the two questions that
read registers. pymodbus makes the questions and takes the answers apart; waiting is
done by pyserial, on the steady clock. (pymodbus' own serial client waits on the wall
clock, and polls for each byte.)
"""

import logging
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import serial
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
)

from logger.decode.modbus import Ask, Talk
from logger.sources.inbox import Inbox
from logger.sources.ports import LOOK_AT_KEYS, open_port
from logger.sources.turns import US_PER_S, Turns

logging.getLogger("pymodbus_internal").setLevel(logging.CRITICAL)
# It logs every answer that does not fit; what is wrong is told here once.

QUESTIONS = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
"""By function code: read holding registers, read input registers. There is no other."""

PAUSE_S = 0.02
"""Quiet between an answer and the next question: more than the 3.5 characters of the
standard (4 ms at 9,600 baud), since many devices need longer to turn the line around
(common practice, no source)."""

LONGEST_REST_S = 0.2
"""Longest wait for the next turn: how long a stop may take."""

MOST_BYTES = 1024
"""Taken in while waiting for one answer; more is somebody who does not stop."""

PARITY: dict[str, str] = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
}


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the bytes of a port are sent.

    Attributes:
        baud_rate: Speed in baud.
        parity: The parity bit.
        stop_bits: 1 or 2.
        answer_s: How long a device may think before its answer begins, s.
    """

    baud_rate: int = 9600
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: int = 1
    answer_s: float = 0.3

    def duration_s(self, count: int) -> float:
        """Return how long so many bytes take, s, at 11 bits each."""
        return count * 11 / self.baud_rate


@dataclass(frozen=True, slots=True)
class PolledDevice:
    """One device, and what it is asked.

    Attributes:
        name: Its name in the van file.
        address: Its address on the port.
        period_us: From one round of questions to the next, microseconds.
        talk: What it is asked.
    """

    name: str
    address: int
    period_us: int
    talk: Talk


class ModbusSource:
    """One port on which devices are asked in turn.

    Args:
        port_name: Name of the port in the van file.
        device: The device file, best by its path under /dev/serial/by-id.
        line: How its bytes are sent.
        devices: Whom to ask.
        inbox: Where the answers go.

    Attributes:
        line: How its bytes are sent.
    """

    def __init__(
        self,
        port_name: str,
        device: str,
        line: LineSettings,
        devices: Sequence[PolledDevice],
        inbox: Inbox,
    ) -> None:
        self.line = line
        self._port_name = port_name
        self._device = device
        self._devices = devices
        self._inbox = inbox
        periods_us = [each.period_us for each in devices]
        # Kept when the port is opened anew: who was lost before, still is.
        self._turns = Turns(periods_us, int((line.answer_s + PAUSE_S) * US_PER_S))

    @property
    def name(self) -> str:
        """Name of the source."""
        return f"port {self._port_name}"

    def open(self) -> "ModbusSession":
        """Open the port for us alone.

        Raises:
            SourceError: It is not there, or another program has it.
        """
        port = open_port(
            f"{self.name} ({self._device})",
            self._device,
            self.line.baud_rate,
            LOOK_AT_KEYS,
            timeout_s=LONGEST_REST_S,
            write_timeout_s=1.0,
            parity=PARITY[self.line.parity],
            stop_bits=self.line.stop_bits,
        )
        for each in self._devices:
            # Half of an answer from before is worth nothing.
            each.talk.rest()
        return ModbusSession(self, port)

    def poll(self, wire: "Wire") -> int:
        """Ask whose turn it is, or wait for a turn; return how many answers came in."""
        now_us = self._inbox.now_us()
        which = self._turns.next(now_us)
        if which is None:
            rest_s = max(self._turns.rest_us(now_us) / US_PER_S, PAUSE_S)
            wire.rest(min(rest_s, LONGEST_REST_S))
            return 0
        device = self._devices[which]
        ask = device.talk.ask()
        if ask is None:
            device.talk.rest()
            self._turns.finish(which, now_us)
            return 0
        answer = wire.exchange(device.address, ask)
        return self._take(which, answer)

    def _take(self, which: int, answer: "Answer") -> int:
        """Take the answer of a device; return how many items came of it."""
        device, talk = self._devices[which], self._devices[which].talk
        if answer == "silence":
            talk.rest()
            self._fail(which, "it does not answer", is_over=False)
            return 0
        reply = talk.take(answer if isinstance(answer, tuple) else None)
        if talk.trouble:
            self._fail(which, talk.trouble, is_over=True)
            return 0
        if reply is None:
            return 0
        # Only now: a device that answers nothing of use does not count as back.
        if self._turns.answer(which):
            self._inbox.tell(self._title(device), "source back", "it answers again")
        self._inbox.line(self.name, self._port_name, reply.line())
        return 1

    def _fail(self, which: int, text: str, is_over: bool) -> None:
        """Take in that a device is of no use just now; told when that begins."""
        device = self._devices[which]
        is_new = self._turns.fail(which, self._inbox.now_us(), is_over)
        if is_over or is_new:
            device.talk.forget()
        if is_new:
            self._inbox.tell(self._title(device), "source lost", text)

    def _title(self, device: PolledDevice) -> str:
        return f"{self.name}, device {device.name}"


class ModbusSession:
    """An open port, on which one question at a time is asked."""

    def __init__(self, source: ModbusSource, port: serial.Serial) -> None:
        self._source = source
        self._port = port
        self._wire = Wire(port, source.line)

    def read(self) -> int:
        """Ask one question, or wait for a turn; return how many answers came in."""
        return self._source.poll(self._wire)

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()


Answer = tuple[int, ...] | Literal["silence", "refused"]
"""The registers that were asked for; no sound answer; or a refusal."""


class Wire:
    """Asks one question on an open port and waits for its answer.

    Args:
        port: The port.
        line: How its bytes are sent.
    """

    def __init__(self, port: serial.Serial, line: LineSettings) -> None:
        self._port = port
        self._line = line
        self._framer = FramerRTU(DecodePDU(False))

    def rest(self, seconds: float) -> None:
        """Wait; what comes in meanwhile was not asked for, and is dropped."""
        self._port.timeout = seconds
        self._port.read(MOST_BYTES)

    def exchange(self, address: int, ask: Ask) -> Answer:
        """Ask a device, and return what it answers.

        Args:
            address: Of the device.
            ask: The question.
        """
        question = QUESTIONS[ask.function]
        packet = self._framer.buildFrame(
            question(address=ask.address, count=ask.count, dev_id=address)
        )
        self.rest(PAUSE_S)
        self._port.write(packet)
        limit_s = self._line.answer_s + self._line.duration_s(
            len(packet) + 5 + 2 * ask.count
        )
        pdu = self.await_answer(address, ask, limit_s)
        if isinstance(pdu, ExceptionResponse):
            return "refused"
        is_fitting = pdu is not None and pdu.function_code == ask.function
        if pdu is None or not is_fitting or len(pdu.registers) != ask.count:
            return "silence"
        return tuple(pdu.registers)

    def await_answer(self, address: int, ask: Ask, limit_s: float) -> ModbusPDU | None:
        """Return the answer to a question; None if none comes in time.

        Args:
            address: Whose answer it should be.
            ask: The question.
            limit_s: How long to wait, s.
        """
        left = serial.serialutil.Timeout(limit_s)
        full = 5 + 2 * ask.count
        data = b""
        while not left.expired() and len(data) < MOST_BYTES:
            self._port.timeout = left.time_left()
            # An answer that refuses has five bytes; then what is still lacking.
            lacking = full - len(data) if len(data) >= 5 else 5 - len(data)
            data += self._port.read(max(1, lacking))
            pdu = self._found(data, address, ask.function)
            if pdu is not None:
                return pdu
        return None

    def _found(self, data: bytes, address: int, function: int) -> ModbusPDU | None:
        """Return the answer in these bytes; None while there is none.

        Noise may stand before it, or the question itself: some adapters hear it too.
        """
        for at in range(len(data) - 4):
            if data[at] == address and data[at + 1] & 0x7F == function:
                try:
                    pdu = self._framer.handleFrame(data[at:], address, 0)[1]
                except (ModbusException, ValueError, IndexError, struct.error):
                    continue
                if pdu is not None:
                    return pdu
        return None
