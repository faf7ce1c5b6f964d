"""The Modbus devices of a van file, made into what their answers are read by.

Knows sections and their faults, and reads the one bundled table; opens no port.
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache, partial
from importlib.resources import files

from logger.decode.modbus import Kind, Register, RegisterForm
from logger.decode.sunspec import Model, SunSpecForm, models_of
from logger.van.device_sections import DeviceSection, RegisterSection
from logger.van.draft import Draft, Note, Numbered
from logger.van.faults import nearest, shown
from logger.van.line_kind import LineKind, Wanted
from logger.van.settings import PortSection

SUNSPEC = "sunspec"
"""The table of devices that describe themselves."""

MOST_PARTS = 16
"""Repeated parts of a model that feeds may name, such as the inputs of a box."""

ASKING = (
    "A Modbus device only speaks when it is asked. Write polled = true at this port to "
    "let the program write its questions to it."
)


@lru_cache(maxsize=1)
def sunspec_models() -> tuple[Model, ...]:
    """Return the bundled SunSpec models."""
    path = files("logger.decode") / "tables" / "sunspec.toml"
    return models_of(tomllib.loads(path.read_text(encoding="utf-8")))


def device_kinds(draft: Draft, note: Note) -> list[LineKind]:
    """Return the answers of all devices as kinds of line.

    Args:
        draft: The sections of the van file.
        note: Called for everything that does not fit.
    """
    tables = _tables(draft, note)
    are_whole = all(each.is_whole for each in draft.each(RegisterSection))
    known = [*tables, SUNSPEC] if are_whole else None
    kinds = []
    seen: set[tuple[str, int]] = set()
    for each in draft.each(DeviceSection):
        _check_port(draft, each, note)
        section = each.section
        if each.is_whole and (section.port, section.address) in seen:
            fix = "Give each device of a port its own address."
            note(f"{each.place} address", shown(section.address), fix)
        seen.add((section.port, section.address))
        if each.is_whole and known is not None and section.registers not in known:
            fix = f"Describe it as [[register]]s. {nearest(section.registers, known)}"
            note(f"{each.place} registers", shown(section.registers), fix)
        kinds.append(_kind(section, tables if are_whole else {}))
    return kinds


def _check_port(draft: Draft, each: Numbered[DeviceSection], note: Note) -> None:
    """Note a device on a port that is not there, or is none to ask on."""
    ports = {one.section.name: one for one in draft.each(PortSection)}
    name = each.section.port
    port = ports.get(name)
    if name is None or None in ports:
        return
    if port is None:
        note(f"{each.place} port", shown(name), nearest(name, ports))
    elif port.is_whole and port.section.speaks != "modbus":
        fix = 'Write speaks = "modbus" at this port, or name another one.'
        note(f"{each.place} port", shown(name), fix)
    elif port.is_whole and not port.section.polled:
        note(f"{port.place} polled", "false", ASKING)


def _tables(draft: Draft, note: Note) -> Mapping[str, tuple[Register, ...]]:
    """Return the tables of registers by name."""
    tables: dict[str, list[Register]] = {}
    for each in draft.each(RegisterSection):
        section = each.section
        if section.table == SUNSPEC:
            fix = "This name is taken by the bundled table; give another one."
            note(f"{each.place} table", shown(section.table), fix)
        if not each.is_whole:
            continue
        table = tables.setdefault(section.table, [])
        if any(one.field == section.field for one in table):
            fix = "Give each value of a table a name of its own."
            note(f"{each.place} field", shown(section.field), fix)
        register = _register(section)
        if section.address + register.words > 65_536:
            fix = "Give an address from which it ends at 65535 or before."
            note(f"{each.place} address", shown(section.address), fix)
        if section.scale == 0:
            fix = "Give a factor that is not 0: it would make every value the same."
            note(f"{each.place} scale", shown(section.scale), fix)
        table.append(register)
    return {name: tuple(table) for name, table in tables.items()}


def _register(section: RegisterSection) -> Register:
    return Register(
        field=section.field,
        function=section.function,
        address=section.address,
        kind=Kind(section.kind),
        is_low_first=section.order == "low-first",
        scale=section.scale,
        missing=frozenset(section.missing),
        length=section.length,
    )


def _kind(section: DeviceSection, tables: Mapping[str, Sequence[Register]]) -> LineKind:
    """Return the answers of one device."""
    name, table = section.name, section.registers
    if table == SUNSPEC:
        fields = tuple(_sunspec_names())
        return LineKind(section.port, name, fields, partial(_described, name))
    registers = tuple(tables.get(table, ()))
    # Of a table that is not known it cannot be told which values it has.
    known = tuple(each.field for each in registers) or None
    return LineKind(section.port, name, known, partial(RegisterForm, name, registers))


def _described(name: str, fields: Wanted) -> SunSpecForm:
    return SunSpecForm(name, sunspec_models(), fields)


def _sunspec_names() -> Iterator[str]:
    """Yield the names of all values of the bundled models, each once."""
    names = (name for model in sunspec_models() for name in model.names(MOST_PARTS))
    yield from dict.fromkeys(names)
