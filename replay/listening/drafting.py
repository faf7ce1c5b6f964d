"""The draft of a van file: what was recognised, and what is left for a person to say.

Which signal is the pack's current nobody can tell from numbers: signals that may feed a
channel stand in it as remarks, with what they showed.
"""

import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.decode.descriptions import clashes
from logger.errors import StoreError
from replay.listening.described import Described
from replay.listening.groups import talks
from replay.listening.heard import BusHeard, Decoded, Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import PortHeard

UNITS = frozenset(
    {"A", "V", "W", "kW", "%", "°C", "degC", "C", "K", "rpm", "km/h", "kph", "mph",
     "m/s", "Ah", "kWh", "Wh", "Nm", "deg", "Hz"}
)  # fmt: skip
"""Units of signals that may feed a channel."""

MOST_HINTS = 200
HEAD = """# Draft of a van file: what was heard, and what was recognised. Go through it,
# give the boxes your own names, tie their signals to channels, and run
# `ampledger check`.

[van]
name = "My van"
# time_zone = "Europe/Lisbon"

# The pack: look at its label, take the marks away.
# [pack]
# nameplate_ah = 100.0
# series_groups = 16
"""


@dataclass(frozen=True, slots=True)
class Draft:
    """One draft.

    Args:
        hearing: What was heard.
        folder: Where the van file will lie; descriptions are named from there.
    """

    hearing: Hearing
    folder: Path

    def __str__(self) -> str:
        """Return the text of the van file."""
        ear, lines = self.hearing.ear, [HEAD]
        names = _names([bus.name for bus in ear.buses.values()], "bus")
        for bus, name in zip(ear.buses.values(), names, strict=True):
            lines += self._bus(ear, bus, name)
        ports = _names(
            [port.name for port in self.hearing.lines.ports.values()], "port"
        )
        heard = self.hearing.lines.ports.values()
        for port, name in zip(heard, ports, strict=True):
            lines += _port(port, name)
        return "\n".join(lines) + "\n"

    def _bus(self, ear: Ear, bus: BusHeard, name: str) -> Iterator[str]:
        yield from (
            f"# {bus.n} frames, {len(bus.identifiers)} identifiers in "
            f"{bus.duration_s:.1f} s.",
            "[[bus]]",
            f"name = {_quoted(name)}",
            f"interface = {_quoted(bus.name.removeprefix('?'))}",
            '# adapter = "socketcan"',
            "# bit_rate = 500000",
            "",
        )
        taken: list[Described] = []
        for described in ear.described:
            if bus.name in ear.fits(described):
                yield from self._description(described, name, taken)
        yield from _hints(ear, bus, name)

    def _description(
        self, described: Described, bus: str, taken: list[Described]
    ) -> Iterator[str]:
        mark = "# " if _clashes(described, taken) else ""
        if mark:
            yield "# Left out: it describes messages that another one describes too."
        else:
            taken.append(described)
        yield f"{mark}[[description]]"
        yield f"{mark}bus = {_quoted(bus)}"
        if described.bundled is not None:
            yield f"{mark}bundled = {_quoted(described.bundled)}"
            yield ""
            return
        file = os.path.relpath(described.path.resolve(), self.folder.resolve())
        yield f"{mark}file = {_quoted(file)}"
        if described.match.value == "group":
            yield f'{mark}match = "group"'
        if described.long_groups.transport:
            yield f'{mark}long_messages = "transport"'
        elif described.long_groups.fast:
            yield f'{mark}long_messages = "fast-packet"'
        yield ""


def write_draft(hearing: Hearing, path: Path) -> None:
    """Write a draft to a new file.

    Raises:
        StoreError: There is a file already, or it cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(str(Draft(hearing, path.parent)))
    except OSError as err:
        raise StoreError(
            where=str(path),
            saw=(err.strerror or str(err)).lower(),
            fix="Give a new file in a folder that you may write; none is replaced.",
        ) from err


def _clashes(described: Described, taken: Sequence[Described]) -> bool:
    """Return whether a van file would refuse it beside those before it."""
    keyed = [
        (key, message.name)
        for each in (*taken, described)
        for key, message in each.keyed
        if each.match is key.match or not key.is_extended
    ]
    names = [name for _, name in keyed]
    return bool(clashes(keyed)) or len(set(names)) < len(names)


def _hints(ear: Ear, bus: BusHeard, name: str) -> Iterator[str]:
    lines = []
    for talk in talks(ear, bus):
        if talk.decoded is not None:
            lines += list(_of_message(talk.decoded, name))
    if not lines:
        return
    yield "# Signals that may feed a channel, as"
    yield '# [[feed]] channel = "…", bus, message, signal, with flip = true where the'
    yield "# box counts the other way:"
    yield from lines[:MOST_HINTS]
    yield ""


def _of_message(decoded: Decoded, bus: str) -> Iterator[str]:
    for seen in decoded.signals:
        if seen.n and seen.unit in UNITS:
            yield (
                f"#   bus = {_quoted(bus)}, message = "
                f"{_quoted(decoded.decoder.name)}, signal = {_quoted(seen.name)}: "
                f"{seen.last:.6g} {seen.unit}, {seen.low:.6g} to {seen.high:.6g}"
            )


def _port(port: PortHeard, name: str) -> Iterator[str]:
    is_receiver = 2 * port.checksum_ok >= port.n
    yield (
        f"# {port.n} lines: "
        + ", ".join(port.kinds).encode("ascii", "replace").decode()
    )
    yield from ("[[port]]", f"name = {_quoted(name)}")
    yield 'device = "/dev/serial/by-id/…"'
    yield "# baud_rate = 9600"
    if is_receiver:
        yield 'speaks = "nmea"'
    yield ""


def _names(wanted: Sequence[str], default: str) -> list[str]:
    """Return names as a van file wants them, no two alike."""
    made: list[str] = []
    for each in wanted:
        name = re.sub(r"[^a-z0-9_]+", "_", each.lower()).strip("_")[:28]
        name = name if name[:1].isalpha() else f"{default}_{name}".rstrip("_")
        number = 2
        while name in made:
            name = f"{name.rstrip('0123456789')}{number}"
            number += 1
        made.append(name)
    return made


def _quoted(text: str) -> str:
    """Return a text as TOML: its plain strings are written as in JSON."""
    return json.dumps(text, ensure_ascii=True)
