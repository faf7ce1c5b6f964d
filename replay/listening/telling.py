"""A listening as plain text, narrow enough for a phone over ssh.

No line is wider than the terminal, and never wider than 80 columns.
"""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from replay.listening.groups import Talk, talks
from replay.listening.heard import BusHeard, Ear
from replay.listening.hearing import Hearing
from replay.listening.lines_heard import LineKind, PortHeard

NARROWEST, WIDEST = 36, 80


@dataclass(frozen=True, slots=True)
class Text:
    """Says what was heard.

    Args:
        hearing: The listening.
        columns: Width of the terminal.
    """

    hearing: Hearing
    columns: int

    def __str__(self) -> str:
        """Return all of it, line by line."""
        hearing = self.hearing
        lines: list[str] = []
        for bus in hearing.ear.buses.values():
            lines += self._bus(hearing.ear, bus)
        for port in hearing.lines.ports.values():
            lines += self._port(port)
        if hearing.is_silent:
            lines += self._wrapped("Nothing was heard.", "")
        for remark in hearing.remarks:
            lines += self._wrapped(remark, "! ")
        return "\n".join(lines)

    def _bus(self, ear: Ear, bus: BusHeard) -> Iterator[str]:
        found = talks(ear, bus)
        known = sum(each.decoded is not None for each in found)
        yield from self._wrapped(f"bus {shown_bus(bus.name)}", "")
        identifiers = f"{len(bus.identifiers)} identifiers in {len(found)} entries"
        yield from self._wrapped(
            f"{bus.n} frames in {bus.duration_s:.1f} s{_rate(bus.n, bus.duration_s)}; "
            f"{identifiers}, {known} known",
            "  ",
        )
        for described in ear.described:
            if bus.name in ear.fits(described):
                yield from self._wrapped(f"described by {described.name}", "  ")
        for each in found:
            yield from self._talk(each)
        for count, what in (
            (
                bus.given_up,
                "frames with ever new identifiers: a wrong bit rate?",
            ),
            (bus.incomplete, "messages of several frames were never whole"),
        ):
            if count:
                yield from self._wrapped(f"{count} {what}", "  ! ")
        yield ""

    def _talk(self, talk: Talk) -> Iterator[str]:
        rate = "" if talk.rate_hz is None else f"{talk.rate_hz:.1f}/s"
        yield f"  {talk.label:<7}{talk.n:>7} {rate:>9}  {talk.moving[:8]}".rstrip()
        if len(talk.moving) > 8:
            yield from self._wrapped(talk.moving[8:], "    ")
        name = "unknown" if talk.decoded is None else talk.decoded.decoder.name
        source = f" from {talk.sources}" if talk.sources else ""
        yield from self._wrapped(name + source, "    ")
        if talk.values:
            values = (_value(v.name, v.last, v.unit) for v in talk.values)
            yield from self._wrapped(", ".join(values), "    ")
        for reason, n in talk.refused.items():
            yield from self._wrapped(f"{n} x {reason}", "    ! ")

    def _port(self, port: PortHeard) -> Iterator[str]:
        yield from self._wrapped(f"port {port.name}", "")
        yield from self._wrapped(
            f"{port.n} lines in {port.duration_s:.1f} s"
            f"{_rate(port.n, port.duration_s)}",
            "  ",
        )
        if port.sentences:
            none = port.sentences - port.checksum_ok - port.checksum_bad
            text = (
                f"{port.sentences} sentences: {port.checksum_ok} with a good checksum"
            )
            text += f", {port.checksum_bad} with a wrong one, {none} without"
            yield from self._wrapped(text, "  ")
        for kind in port.kinds.values():
            yield from self._kind(kind)
        yield ""

    def _kind(self, kind: LineKind) -> Iterator[str]:
        yield f"  {kind.name:<16}{kind.n:>7}"
        if kind.form is None:
            sample = kind.sample.decode("ascii", errors="backslashreplace")
            text = "".join(c if c.isprintable() else "?" for c in sample)
            yield from self._wrapped(f"unknown: {text[:60]}", "    ")
        elif kind.values:
            pairs = list(kind.values.items())[:3]
            values = (_value(name, value, "") for name, value in pairs)
            yield from self._wrapped(", ".join(values), "    ")
        if kind.refused:
            yield from self._wrapped(f"{kind.refused} refused", "    ! ")

    def _wrapped(self, text: str, indent: str) -> list[str]:
        width = min(max(self.columns, NARROWEST), WIDEST)
        rest = " " * len(indent)
        return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=rest)


def shown_bus(name: str) -> str:
    """Return a bus as a person reads it: the van file's name, or the recording's."""
    return name.removeprefix("?")


def _rate(n: int, duration_s: float) -> str:
    return f", {n / duration_s:.0f} a second" if duration_s > 0 else ""


def _value(name: str, value: float | str, unit: str) -> str:
    text = value if isinstance(value, str) else f"{value:.6g}"
    return f"{name} {text} {unit}".rstrip()
