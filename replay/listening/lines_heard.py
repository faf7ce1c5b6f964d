"""What was heard on each serial port: kinds of line, rates, checksums, fields."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.tick import US_PER_S
from logger.decode.frames import Line, Rejected
from logger.decode.text_lines import Form, find_form
from replay.formats.sentence_clock import sentence_fields

CHECKSUM = re.compile(rb"\*[0-9A-Fa-f]{2}")

MOST_KINDS = 60
"""Of one port; further ones are counted as `other`."""

LONGEST_KIND = 16


@dataclass(slots=True)
class LineKind:
    """One kind of line on one port.

    Attributes:
        name: How it begins, or what the van file calls it.
        form: How the van file describes it; None if it does not.
        n: How many lines.
        refused: How many of them the form refused.
        sample: The newest line.
        values: The newest fields, by name.
    """

    name: str
    form: Form | None
    n: int = 0
    refused: int = 0
    sample: bytes = b""
    values: dict[str, float | str] = field(default_factory=dict)

    def take(self, data: bytes) -> None:
        """Take in a line."""
        self.n += 1
        self.sample = data
        if self.form is None:
            return
        told = self.form.decode(data)
        if isinstance(told, Rejected):
            self.refused += 1
            return
        pairs = zip(self.form.fields, told, strict=True)
        self.values |= {name: value for name, value in pairs if value is not None}


@dataclass(slots=True)
class PortHeard:
    """Everything on one port.

    Attributes:
        name: Its name in the van file.
        n: How many lines.
        sentences: How many of them hold a `$`, as the sentences of receivers do.
        checksum_ok: Sentences with a good checksum.
        checksum_bad: Sentences with a wrong one.
    """

    name: str
    first_us: int
    n: int = 0
    last_us: int = 0
    sentences: int = 0
    checksum_ok: int = 0
    checksum_bad: int = 0
    kinds: dict[str, LineKind] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        """From the first line to the last, s."""
        return (self.last_us - self.first_us) / US_PER_S


@dataclass(slots=True)
class LineEar:
    """Hears lines.

    Args:
        forms: The kinds of line that the van file describes, by port.
    """

    forms: Mapping[str, Sequence[Form]] = field(default_factory=dict)
    ports: dict[str, PortHeard] = field(default_factory=dict)

    def take(self, line: Line) -> None:
        """Take in a line."""
        port = self.ports.setdefault(line.port, PortHeard(line.port, line.t_us))
        port.n += 1
        port.last_us = max(port.last_us, line.t_us)
        sentence = _count_sentence(port, line.data)
        form = find_form(self.forms.get(line.port, ()), line.data)
        name = form.name if form is not None else _kind(line.data, sentence)
        if name not in port.kinds and len(port.kinds) >= MOST_KINDS:
            name, form = "other", None
        port.kinds.setdefault(name, LineKind(name, form)).take(line.data)


def _count_sentence(port: PortHeard, data: bytes) -> list[str] | None:
    """Count a sentence by its checksum; return its fields if that is good."""
    place = data.find(b"$")
    if place < 0:
        return None
    port.sentences += 1
    fields = sentence_fields(data[place:])
    if fields is not None:
        port.checksum_ok += 1
    elif CHECKSUM.search(data, place):
        port.checksum_bad += 1
    return fields


def _kind(data: bytes, sentence: list[str] | None) -> str:
    """Return what kind of line one is that nobody described."""
    if sentence is not None:
        return sentence[0]
    text = data.decode("ascii", errors="replace")
    if not text.isprintable() or "\ufffd" in text:
        return "unreadable"
    for separator in (",", "=", "\t", ";", ":", " "):
        begin, found, _ = text.partition(separator)
        if found and begin:
            return begin[:LONGEST_KIND]
    return text[:LONGEST_KIND]
