"""Devices that describe themselves by SunSpec models: where what stands, what it means.

Pure. A device has a chain of models behind a marker; each begins with its number and
length. The chain is walked once, and of it only the wanted models are asked for, each
whole, since its scale factors stand in it.

Source: SunSpec device information model specification (marker, chain, "not implemented"
values, scale factors); the tables of its models.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from logger.decode.frames import Reason, Rejected
from logger.decode.modbus import (
    MOST_WORDS,
    Ask,
    Kind,
    Reply,
    Talk,
    Value,
    raw_value,
)

MARKER = (0x5375, 0x6E53)
"""The letters SunS."""

BASES = (40_000, 0, 50_000)
"""Where a chain may begin, in the order in which it is looked for."""

END = 0xFFFF
"""In place of a model's number: the chain is over."""

MOST_MODELS = 64
"""A longer chain is a device that answers anything."""

HOLDING = 3
"""The chain stands in holding registers."""

NOT_IMPLEMENTED = {"u16": 0xFFFF, "s16": -0x8000, "u32": 0xFFFFFFFF, "acc32": 0}
"""What stands for "no value", by kind; of floats it is NaN."""

KINDS = {
    "u16": Kind.U16,
    "s16": Kind.S16,
    "u32": Kind.U32,
    "acc32": Kind.U32,
    "f32": Kind.F32,
    "text": Kind.TEXT,
}

NO_SCALE = -0x8000
"""A scale factor that is not implemented."""

LARGEST_SCALE = 10
"""Powers of ten beyond this, either way, are none; `NO_SCALE` is far beyond."""

LAST_ADDRESS = 0xFFFF
"""Of all registers that there can be."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a model.

    Attributes:
        name: As the standard calls it.
        at: Registers from the model's number, or from the start of a repeated part.
        kind: How it is read; see the table.
        scale: Name of its scale factor; empty where it has none.
        length: Registers of a text.
    """

    name: str
    at: int
    kind: str
    scale: str = ""
    length: int = 1

    @property
    def words(self) -> int:
        """How many registers it fills."""
        if self.kind == "text":
            return self.length
        return 2 if self.kind in ("u32", "acc32", "f32") else 1


@dataclass(frozen=True, slots=True)
class Model:
    """One or more models of the same layout.

    Attributes:
        group: What the van file calls them.
        ids: Their numbers.
        points: Their values.
        scales: Where the scale factors stand, by name.
        repeat_at: Where the repeated part begins, in registers.
        repeat_length: Its length; 0 where nothing is repeated.
        repeated: Its values.
    """

    group: str
    ids: tuple[int, ...]
    points: tuple[Point, ...]
    scales: Mapping[str, int]
    repeat_at: int = 0
    repeat_length: int = 0
    repeated: tuple[Point, ...] = ()

    def values(self, words: Sequence[int]) -> Iterator[tuple[str, Value]]:
        """Yield every value by the name that the van file knows it by.

        Args:
            words: The whole model, from its number on.
        """
        for point in self.points:
            yield f"{self.group}.{point.name}", self._value(point, point.at, words)
        starts = (
            range(self.repeat_at, len(words), self.repeat_length)
            if self.repeat_length
            else ()
        )
        for number, start in enumerate(starts, start=1):
            for point in self.repeated:
                value = self._value(point, start + point.at, words)
                yield f"{self.group}.{number}.{point.name}", value

    def names(self, parts: int) -> Iterator[str]:
        """Yield the names of all its values, of so many repeated parts."""
        for point in self.points:
            yield f"{self.group}.{point.name}"
        for number in range(1, parts + 1):
            for point in self.repeated:
                yield f"{self.group}.{number}.{point.name}"

    def _value(self, point: Point, at: int, words: Sequence[int]) -> Value:
        part = words[at : at + point.words]
        if len(part) < point.words:
            return None
        raw = raw_value(part, KINDS[point.kind])
        is_number = isinstance(raw, int | float)
        if not is_number or raw == NOT_IMPLEMENTED.get(point.kind):
            return raw if isinstance(raw, str) else None
        return self._scaled(cast(float, raw), point, words)

    def _scaled(self, raw: float, point: Point, words: Sequence[int]) -> Value:
        if not point.scale:
            return raw
        at = self.scales[point.scale]
        # In two's complement.
        power = (words[at] ^ 0x8000) - 0x8000 if at < len(words) else NO_SCALE
        if abs(power) > LARGEST_SCALE:
            return None
        # Divided, since a tenth has no exact form and ten has.
        return raw * 10.0**power if power >= 0 else raw / 10.0**-power


def models_of(table: Mapping[str, object]) -> tuple[Model, ...]:
    """Return the models of a table as it is bundled.

    Args:
        table: The parsed file.
    """
    return tuple(
        _model(each) for each in cast(Sequence[Mapping[str, object]], table["model"])
    )


def _model(raw: Mapping[str, object]) -> Model:
    rows = cast(Sequence[tuple[str, int, str, str, int]], raw["points"])
    repeated = cast(Sequence[tuple[str, int, str, str, int]], raw.get("repeated", ()))
    return Model(
        group=cast(str, raw["group"]),
        ids=tuple(cast(Sequence[int], raw["ids"])),
        points=tuple(Point(*row) for row in rows if row[2] != "sf"),
        scales={row[0]: row[1] for row in rows if row[2] == "sf"},
        repeat_at=cast(int, raw.get("repeat_at", 0)),
        repeat_length=cast(int, raw.get("repeat_length", 0)),
        repeated=tuple(Point(*row) for row in repeated),
    )


@dataclass(frozen=True, slots=True)
class SunSpecForm:
    """The answers of one device that describes itself.

    Attributes:
        name: Its name in the van file.
        models: The bundled ones.
        fields: Names of the wanted values, in the order of the decoded ones.
    """

    name: str
    models: tuple[Model, ...]
    fields: tuple[str, ...]

    def takes(self, data: bytes) -> bool:
        """Return whether a line is an answer of this device."""
        return data.startswith(f"{self.name} ".encode())

    def decode(self, data: bytes) -> tuple[Value, ...] | Rejected:
        """Return the wanted values; None for those of other models.

        Args:
            data: One whole model, as a text line.
        """
        reply = Reply.of(data)
        number = reply.words[0] if reply is not None and reply.words else None
        model = next((each for each in self.models if number in each.ids), None)
        if reply is None or model is None:
            return Rejected(Reason.UNDECODABLE, data)
        told = dict(model.values(reply.words))
        return tuple(told.get(field) for field in self.fields)

    def talk(self) -> Talk:
        """Return what to ask of the device."""
        groups = {field.partition(".")[0] for field in self.fields}
        wanted = {
            number
            for model in self.models
            if model.group in groups
            for number in model.ids
        }
        return SunSpecTalk(self.name, frozenset(wanted))


class SunSpecTalk:
    """Finds the chain of a device, then asks for the wanted models of it.

    Args:
        device: Name of the device.
        wanted: Numbers of the models.
    """

    def __init__(self, device: str, wanted: frozenset[int]) -> None:
        self._device = device
        self._wanted = wanted
        self.forget()

    def forget(self) -> None:
        """Begin anew: look for the chain."""
        self.trouble = ""
        self._bases = list(BASES)
        self._at: int | None = None
        self._steps = 0
        self._blocks: dict[int, Ask] = {}
        self._is_mapped = False
        self.rest()

    def rest(self) -> None:
        """End the round."""
        self._block = 0
        self._words: tuple[int, ...] = ()

    def ask(self) -> Ask | None:
        """Return the next question of this round; None when the round is over."""
        if not self._is_mapped:
            at = self._bases[0] if self._at is None else self._at
            return Ask(HOLDING, at, 2)
        blocks = list(self._blocks.values())
        if self._block == len(blocks):
            return None
        whole, had = blocks[self._block], len(self._words)
        count = min(whole.count - had, MOST_WORDS)
        return Ask(HOLDING, whole.address + had, count)

    def take(self, words: tuple[int, ...] | None) -> Reply | None:
        """Take an answer; return a model once all of it is there."""
        if self._is_mapped:
            return self._take_part(words)
        if self._at is None:
            self._take_marker(words)
        else:
            self._take_head(self._at, words)
        return None

    def _take_marker(self, words: tuple[int, ...] | None) -> None:
        base = self._bases.pop(0)
        if words == MARKER:
            self._at = base + len(MARKER)
        elif not self._bases:
            places = ", ".join(map(str, BASES))
            self.trouble = f"no SunSpec marker at {places}"
            self._bases = list(BASES)

    def _take_head(self, at: int, words: tuple[int, ...] | None) -> None:
        """Take number and length of the model at an address."""
        number, length = words if words is not None else (END, 0)
        self._at = at + length + 2
        self._steps += 1
        is_over = number == END or self._at >= LAST_ADDRESS
        if number in self._wanted and not is_over:
            # The first of a number is the one: a second would mix with it.
            self._blocks.setdefault(number, Ask(HOLDING, at, length + 2))
        if is_over or self._steps == MOST_MODELS:
            self._is_mapped = True
            if not self._blocks:
                wanted = ", ".join(map(str, sorted(self._wanted)))
                self.trouble = f"none of the models {wanted}"

    def _take_part(self, words: tuple[int, ...] | None) -> Reply | None:
        """Take a part of a model, or that it is not to be had."""
        number, whole = list(self._blocks.items())[self._block]
        if words is None:
            self.trouble = f"it refuses the model {number}"
            return None
        self._words += words
        if len(self._words) < whole.count:
            return None
        reply = Reply(self._device, whole.function, whole.address, self._words)
        self._block += 1
        self._words = ()
        return reply
