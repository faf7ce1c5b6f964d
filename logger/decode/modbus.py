"""Registers of a Modbus device: what to ask for, and what the answer means.

Pure: knows register tables and answers, opens nothing. An answer travels as a text
line, `device function address hex`, so that the recorder keeps it as it came and a
replay decodes the same values.

Source: MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4 (16-bit registers,
high byte first; up to 125 in one answer). The order of words in longer values is the
maker's affair.
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from logger.decode.frames import Reason, Rejected

MOST_WORDS = 60
"""Registers in one question: at 9,600 baud the answer takes 0.15 s, and the others on
the line do not wait for longer (design judgement)."""

Value = float | str | None
"""What a register holds; None where it says "not available"."""


class Kind(Enum):
    """How the words of a register are read."""

    U16 = "u16"
    S16 = "s16"
    U32 = "u32"
    S32 = "s32"
    F32 = "f32"
    TEXT = "text"


FORMATS = {
    Kind.U16: ">H",
    Kind.S16: ">h",
    Kind.U32: ">I",
    Kind.S32: ">i",
    Kind.F32: ">f",
}
"""As `struct` writes them, high byte first."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: read so many registers from an address on.

    Attributes:
        function: 3 for holding, 4 for input registers; there are no others here.
        address: As it is sent, from 0; a manual's register number may be one more.
        count: How many, 1 to 125.
    """

    function: int
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class Reply:
    """The registers that a device gave.

    Attributes:
        device: Its name in the van file.
        function: 3 for holding, 4 for input registers.
        address: Of the first one.
        words: The registers.
    """

    device: str
    function: int
    address: int
    words: tuple[int, ...]

    def line(self) -> bytes:
        """Return it as a text line."""
        packed = struct.pack(f">{len(self.words)}H", *self.words).hex()
        return f"{self.device} {self.function} {self.address} {packed}".encode()

    @staticmethod
    def of(line: bytes) -> "Reply | None":
        """Return what a text line says; None if it is no such line."""
        try:
            device, function, address, packed = line.decode("ascii").split(" ")
            data = bytes.fromhex(packed)
            words = struct.unpack(f">{len(data) // 2}H", data)
            return Reply(device, int(function), int(address), words)
        except (ValueError, struct.error):
            return None


class Talk(Protocol):
    """What is asked of one device, round after round; is fed and answers.

    Attributes:
        trouble: What is wrong with a device that answers, in words; empty while nothing
            is. The device is then left alone for a while, and `forget` begins anew.
    """

    trouble: str

    def ask(self) -> Ask | None:
        """Return the next question of this round; None when the round is over."""

    def take(self, words: tuple[int, ...] | None) -> Reply | None:
        """Take the answer to that question; return what is to be handed on, if any.

        Args:
            words: As many as were asked for; None where the device refused.
        """

    def rest(self) -> None:
        """End the round; the next one begins at its first question."""

    def forget(self) -> None:
        """Begin anew: another device may have that address now."""


@dataclass(frozen=True, slots=True)
class Register:
    """One value of a device.

    Attributes:
        field: What the van file calls it.
        function: 3 for holding, 4 for input registers.
        address: Of its first word, as it is sent.
        kind: How its words are read.
        is_low_first: True where the low word of a longer value comes first.
        scale: Factor to the unit of the field.
        missing: Raw values, before the factor, that mean "not available".
        length: Words of a text; otherwise what the kind says.
    """

    field: str
    function: int
    address: int
    kind: Kind = Kind.U16
    is_low_first: bool = False
    scale: float = 1.0
    missing: frozenset[float] = frozenset()
    length: int = 1

    @property
    def words(self) -> int:
        """How many registers it fills."""
        if self.kind is Kind.TEXT:
            return self.length
        return struct.calcsize(FORMATS[self.kind]) // 2

    def value(self, words: Sequence[int]) -> Value:
        """Return what its words mean, as many as it fills."""
        ordered = words[::-1] if self.is_low_first else words
        raw = raw_value(ordered, self.kind)
        if raw is None or isinstance(raw, str):
            return raw
        return None if raw in self.missing else raw * self.scale


def raw_value(words: Sequence[int], kind: Kind) -> Value:
    """Return the value of words, high word first; None for none.

    Args:
        words: As many as the kind fills.
        kind: How they are read. A float that is no number is none, and so is a text
            of nothing but blanks and zeros.
    """
    data = struct.pack(f">{len(words)}H", *words)
    if kind is Kind.TEXT:
        text = data.partition(b"\0")[0].decode("ascii", errors="replace")
        return text.strip() or None
    (number,) = struct.unpack(FORMATS[kind], data)
    return None if math.isnan(number) else number


@dataclass(frozen=True, slots=True)
class RegisterForm:
    """The answers of one device with a register table.

    Attributes:
        name: Its name in the van file.
        registers: The whole table.
        fields: Names of the wanted values, in the order of the decoded ones.
    """

    name: str
    registers: tuple[Register, ...]
    fields: tuple[str, ...]

    def takes(self, data: bytes) -> bool:
        """Return whether a line is an answer of this device."""
        return data.startswith(f"{self.name} ".encode())

    def decode(self, data: bytes) -> tuple[Value, ...] | Rejected:
        """Return the wanted values; None for those that another answer holds.

        Args:
            data: The answer, as a text line.
        """
        reply = Reply.of(data)
        if reply is None:
            return Rejected(Reason.UNDECODABLE, data)
        told = {
            each.field: each.value(reply.words[at : at + each.words])
            for each in self.registers
            if each.function == reply.function
            if (at := each.address - reply.address) >= 0
            if at + each.words <= len(reply.words)
        }
        return tuple(told.get(field) for field in self.fields)

    def talk(self) -> Talk:
        """Return what to ask of the device."""
        wanted = [each for each in self.registers if each.field in self.fields]
        return RegisterTalk(self.name, asks(wanted))


def asks(registers: Sequence[Register]) -> tuple[Ask, ...]:
    """Return the questions that cover registers, as few as there can be.

    Only neighbours are asked for together: many devices refuse a whole question for one
    register that they do not have.
    """
    found: list[Ask] = []
    for each in sorted(registers, key=lambda one: (one.function, one.address)):
        end = each.address + each.words
        last = found[-1] if found else None
        if last is not None and last.function == each.function:
            count = max(last.count, end - last.address)
            is_neighbour = each.address <= last.address + last.count
            if is_neighbour and count <= MOST_WORDS:
                found[-1] = Ask(last.function, last.address, count)
                continue
        found.append(Ask(each.function, each.address, each.words))
    return tuple(found)


class RegisterTalk:
    """Asks for the registers of a table, round after round.

    Args:
        device: Name of the device.
        questions: What is asked in one round.
    """

    def __init__(self, device: str, questions: tuple[Ask, ...]) -> None:
        self._device = device
        self._questions = questions
        self.forget()

    def forget(self) -> None:
        """Begin anew, with the questions that were refused too."""
        self.trouble = ""
        self._left = list(self._questions)
        self._place = 0

    def ask(self) -> Ask | None:
        """Return the next question of this round; None when the round is over."""
        return self._left[self._place] if self._place < len(self._left) else None

    def take(self, words: tuple[int, ...] | None) -> Reply | None:
        """Take an answer; a question that was refused is not asked again."""
        ask = self._left[self._place]
        if words is None:
            del self._left[self._place]
            if not self._left:
                end = ask.address + ask.count - 1
                self.trouble = f"it refuses registers {ask.address} to {end}"
            return None
        self._place += 1
        return Reply(self._device, ask.function, ask.address, words)

    def rest(self) -> None:
        """End the round."""
        self._place = 0
