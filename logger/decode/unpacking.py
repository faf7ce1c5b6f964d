"""Turns the layout of a message into a function, once, at start. The clever module.

A function is written as Python source and compiled: `w >> 16 & 65535` where a field is
cut from the whole payload, `t0[x[2]]` where it lies within one byte and a table holds
its 256 values. Measured on the recorded bus of
`python -m tests.bench decode`: five times as fast as cantools' `decode_message`, and to
the last bit the same.

What gets into the source are whole numbers, finite floats in the form that `repr`
gives, and words of this module; no text of a description does. The names it may use
are those of `KNOWN`.
"""

import math
import struct
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from logger.decode.frames import Reason, Rejected, Values
from logger.decode.layout import BITS_PER_BYTE, Case, Field, Layout, Node

Unpack = Callable[[bytes], Values | Rejected]

WORD_BYTES = 8
"""Payloads up to here become one number that all fields are cut from; a longer one
would be a long number, shifted anew for every field."""

MOST_TABLES = 1024
"""That are kept for the next message; each is 2 kB, and up to 6 kB of floats."""

FEW_CASES = 3
"""So many cases are asked one after the other, more are halved."""


def _refuse_short(data: bytes) -> Rejected:
    return Rejected(Reason.SHORT, data)


def _refuse(data: bytes) -> Rejected:
    return Rejected(Reason.UNDECODABLE, data)


KNOWN = {
    "number": int.from_bytes,
    "short": _refuse_short,
    "refuse": _refuse,
    "float16": struct.Struct("<e").unpack,
    "float32": struct.Struct("<f").unpack,
    "float64": struct.Struct("<d").unpack,
    "len": len,
    "int": int,
    "ValueError": ValueError,
    "OverflowError": OverflowError,
}
"""All that the written source can reach."""


def compile_unpacker(layout: Layout) -> Unpack:
    """Return a function from a payload to its values, or to why it was refused.

    It raises for no bytes. A payload that is too short is refused, what follows the
    described length is ignored.
    """
    plan = _plan(layout)
    source = "\n".join(_source(plan))
    tables = {name: _table(told) for told, name in plan.tables.items()}
    names: dict[str, object] = {"__builtins__": {}, **KNOWN, **tables}
    exec(compile(source, "<unpacker>", "exec"), names)
    unpack = names["unpack"]
    assert callable(unpack)
    return unpack


@dataclass(frozen=True, slots=True)
class _Plan:
    """What all parts of one function have to know.

    Attributes:
        layout: What it unpacks.
        fields: All fields of it.
        shared: Bytes that are looked up once, for several fields.
        tables: Names of the tables that are needed, by the expression of their values;
            filled while the function is written.
    """

    layout: Layout
    fields: frozenset[Field]
    shared: frozenset[int]
    tables: dict[str, str]


def _plan(layout: Layout) -> _Plan:
    fields = frozenset(layout.root.walk())
    uses = Counter(field.first for field in fields if field.first == field.last)
    shared = frozenset(number for number, count in uses.items() if count > 1)
    return _Plan(layout, fields, shared, {})


@lru_cache(MOST_TABLES)
def _table(told: str) -> tuple[float | int | None, ...]:
    """Return the value of a field for each byte that it may be within, from 0 on.

    Flags and small numbers are a third faster so; the same few tables do for all.
    """
    return tuple(map(eval(f"lambda b: {told}", {"__builtins__": {}}), range(256)))


def _source(plan: _Plan) -> Iterator[str]:
    """Yield the lines of the function.

    `x` is the payload, `x3` its byte 3 where it is needed often, `w` and `m` all of it
    as one number by Intel's and by Motorola's order, `s` a selector, `v5` the value of
    slot 5, `r` and `f` a number that is looked at before it is taken, `t0` a table.
    """
    layout = plan.layout
    yield "def unpack(data):"
    yield "  x = data"
    yield f"  if len(x) != {layout.length}:"
    yield f"    if len(x) < {layout.length}: return short(data)"
    yield f"    x = x[:{layout.length}]"
    yield from (f"  x{number} = x[{number}]" for number in sorted(plan.shared))
    spread = {field.is_big for field in plan.fields if field.first != field.last}
    if layout.length <= WORD_BYTES and False in spread:
        yield "  w = number(x, 'little')"
    if layout.length <= WORD_BYTES and True in spread:
        yield "  m = number(x, 'big')"
    yield from _body(plan)


def _body(plan: _Plan) -> Iterator[str]:
    layout = plan.layout
    by_slot = sorted(layout.root.fields, key=lambda field: field.slot)
    # Selectors may select each other, so that nothing of them is ever there.
    is_all = tuple(field.slot for field in by_slot) == layout.slots
    if is_all and not layout.root.switches and all(f.is_readable for f in by_slot):
        yield "  try:"
        yield f"    return {_tuple([_value(f, plan) for f in by_slot])}"
    else:
        slots = [f"v{slot}" for slot in layout.slots]
        yield from (f"  v{slot} = None" for slot in sorted(set(layout.slots)))
        yield "  try:"
        yield from _node(layout.root, plan, "    ")
        yield f"    return {_tuple(slots)}"
    # A selector that is no number (the former) or an infinite one, and a number that is
    # too long for the float it is scaled to.
    yield "  except (ValueError, OverflowError):"
    yield "    return refuse(data)"


def _tuple(texts: Sequence[str]) -> str:
    return "(" + "".join(f"{text}, " for text in texts) + ")"


def _node(node: Node, plan: _Plan, indent: str) -> Iterator[str]:
    if not all(field.is_readable for field in node.fields):
        yield f"{indent}return refuse(data)"
        return
    for field in node.fields:
        yield f"{indent}v{field.slot} = {_value(field, plan)}"
    for switch in node.switches:
        yield f"{indent}s = {_selector(switch.selector, plan)}"
        yield from _cases(switch.cases, plan, indent)


def _selector(field: Field, plan: _Plan) -> str:
    """Return the selecting number: cantools takes the scaled one, cut to a whole."""
    scaled = _scaled(field, _raw(field, _bits(field, plan)))
    return scaled if field.is_whole else f"int({scaled})"


def _cases(cases: Sequence[Case], plan: _Plan, indent: str) -> Iterator[str]:
    deeper = indent + " "
    if len(cases) > FEW_CASES:
        middle = len(cases) // 2
        yield f"{indent}if s < {cases[middle].low}:"
        yield from _cases(cases[:middle], plan, deeper)
        yield f"{indent}else:"
        yield from _cases(cases[middle:], plan, deeper)
        return
    word = "if"
    for case in cases:
        asked = f"s == {case.low}"
        if case.low != case.high:
            asked = f"{case.low} <= s <= {case.high}"
        yield f"{indent}{word} {asked}:"
        yield f"{deeper}pass"
        yield from _node(case.node, plan, deeper)
        word = "elif"
    yield f"{indent}else: return refuse(data)"


def _value(field: Field, plan: _Plan) -> str:
    """Return the expression of a value, with None where it is missing."""
    if field.first != field.last or not field.is_always_finite:
        return _told(field, _bits(field, plan))
    told = _told(field, _cut("b", field.shift, field, BITS_PER_BYTE))
    byte = _byte(field, plan)
    if told == "(b)":
        return byte
    return f"{plan.tables.setdefault(told, f't{len(plan.tables)}')}[{byte}]"


def _told(field: Field, bits: str) -> str:
    raw = _raw(field, bits)
    limit = field.absent_from
    if limit is not None:
        return f"(None if (r := {raw}) >= {limit} else {_checked(field, '(r)')})"
    return _checked(field, raw)


def _checked(field: Field, raw: str) -> str:
    scaled = _scaled(field, raw)
    if field.is_always_finite:
        return scaled
    # What is infinite or no number is not 0 when taken from itself.
    return f"(f if (f := {scaled}) - f == 0 else None)"


def _scaled(field: Field, raw: str) -> str:
    """Return raw * scale + offset, in the numbers and the order of cantools."""
    scale, offset = field.scale, field.offset
    if field.is_plain:
        return raw
    if field.is_whole:
        scale, offset = int(scale), int(offset)
    product = raw if field.is_whole and scale == 1 else f"{raw} * {_literal(scale)}"
    # Adding nothing changes only -0.0, which whole numbers times a positive one never
    # come to.
    if offset == 0 and scale > 0 and not field.is_float:
        return f"({product})"
    return f"({product} + {_literal(offset)})"


def _literal(number: float) -> str:
    """Return a number as Python reads it back, to the bit."""
    if math.isfinite(number):
        return f"({number!r})"
    return {math.inf: "(1e999)", -math.inf: "(-1e999)"}.get(number, "(1e999 - 1e999)")


def _raw(field: Field, bits: str) -> str:
    """Return the expression of the raw number that bits are, in brackets."""
    if field.is_float:
        packed = f"{bits}.to_bytes({field.length // 8}, 'little')"
        return f"float{field.length}({packed})[0]"
    if field.is_signed:
        sign = 1 << field.length - 1
        return f"(({bits} ^ {sign}) - {sign})"
    return bits


def _byte(field: Field, plan: _Plan) -> str:
    is_shared = field.first in plan.shared
    return f"x{field.first}" if is_shared else f"x[{field.first}]"


def _bits(field: Field, plan: _Plan) -> str:
    """Return the expression of the field's bits as a number from 0 up."""
    if field.first == field.last:
        return _cut(_byte(field, plan), field.shift, field, BITS_PER_BYTE)
    if plan.layout.length <= WORD_BYTES:
        whole = "m" if field.is_big else "w"
        below = plan.layout.length - 1 - field.last if field.is_big else field.first
        shift = field.shift + BITS_PER_BYTE * below
        return _cut(whole, shift, field, BITS_PER_BYTE * plan.layout.length)
    order = "big" if field.is_big else "little"
    whole = f"number(x[{field.first}:{field.last + 1}], '{order}')"
    bits_there = BITS_PER_BYTE * (field.last + 1 - field.first)
    return _cut(whole, field.shift, field, bits_there)


def _cut(whole: str, shift: int, field: Field, bits_there: int) -> str:
    """Return the expression of a field's bits within a number of so many bits."""
    if shift:
        whole = f"{whole} >> {shift}"
    if shift + field.length < bits_there:
        whole = f"{whole} & {(1 << field.length) - 1}"
    return f"({whole})"
