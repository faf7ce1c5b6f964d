"""Reads the descriptions that a van file names: files of its own and bundled tables.

Reads files; what their signals feed is worked out elsewhere.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import assert_never

from logger.decode.bundles import BUNDLES
from logger.decode.descriptions import (
    DescribedMessage,
    DescriptionError,
    Form,
    Match,
    describe,
    message_key,
)
from logger.decode.layout import Absence
from logger.van.bundled import read_bundled
from logger.van.bus_messages import BusMessages
from logger.van.draft import Note, Numbered
from logger.van.faults import closest, nearest, shown
from logger.van.settings import DescriptionSection

SHORT_BYTES = 8
"""What one frame of classic CAN carries."""

DESCRIPTION_ENCODING = {Form.DBC: "cp1252", Form.KCD: "utf-8"}
"""What files of each form are written in, by convention of the form."""


ONE_DESCRIPTION = "Give one of the two: a file, or a bundled table."


@dataclass(frozen=True, slots=True)
class DescriptionFile:
    """One description as it was read.

    Attributes:
        name: Its name in the van file.
        sha256: Its digest.
        remarks: What is to be said of how it was read, for example what it lacks.
    """

    name: str
    sha256: str
    remarks: tuple[str, ...] = ()


def why_unread(err: OSError | ValueError) -> str:
    """Return why a file could not be read, in a few words."""
    if isinstance(err, OSError):
        return (err.strerror or str(err)).lower()
    if isinstance(err, UnicodeDecodeError):
        return "text that is not UTF-8"
    return str(err)


@dataclass(slots=True)
class Descriptions:
    """The descriptions of a van file, read one after the other.

    Attributes:
        folder: Where files are looked for.
        note: Called for every fault.
        files: What was read.
        of_bus: The messages of each bus.
    """

    folder: Path
    note: Note
    files: list[DescriptionFile] = field(default_factory=list)
    of_bus: dict[str, BusMessages] = field(default_factory=dict)

    def read(self, each: Numbered[DescriptionSection], buses: Sequence[str]) -> None:
        """Take one description; note what is wrong with it.

        Args:
            each: Its section, sound or not.
            buses: The names of the buses of the van file.
        """
        place, section = each.place, each.section
        kept = self._bus(place, section.bus, buses)
        # Until it is read: a message of this bus that is not known may be in it.
        was_whole, kept.is_whole = kept.is_whole, False
        messages: tuple[DescribedMessage, ...] | None
        key, match = "file", Match(section.match)
        if section.bundled is None:
            messages = self._read_file(place, section)
        else:
            key, match = "bundled", BUNDLES[section.bundled].match
            messages = self._read_bundled(section.bundled, kept)
        if each.is_whole and (section.bundled is None) == (section.file is None):
            saw = "nothing" if section.file is None else "a table beside a file"
            self.note(f"{place} {key}", saw, ONE_DESCRIPTION)
            return
        if messages is None:
            return
        kept.is_whole = was_whole
        for message in messages:
            if message.name in kept.known:
                fix = "Leave one of the two descriptions of this bus out."
                self.note(f"{place} {key}", f"message {message.name} again", fix)
                continue
            kept.known[message.name] = message
            kept.keyed.append((message_key(message, match), message))
            if section.bundled is None:
                _note_long(place, section, kept, message)

    def _read_bundled(
        self, name: str, kept: BusMessages
    ) -> tuple[DescribedMessage, ...]:
        table = read_bundled(name)
        self.files.append(DescriptionFile(f"bundled {name}", table.sha256))
        kept.transport |= table.bundle.long_groups.transport
        kept.fast |= table.bundle.long_groups.fast
        kept.faults |= table.bundle.faults
        kept.without_sign |= table.bundle.without_sign
        return table.messages

    def _read_file(
        self, place: str, section: DescriptionSection
    ) -> tuple[DescribedMessage, ...] | None:
        """Return the messages of a description's file, or note why not."""
        if section.file is None:
            return None
        path = self.folder / section.file
        try:
            form = Form(path.suffix.lower().removeprefix("."))
        except ValueError:
            fix = "Give a file that ends in .dbc or .kcd."
            self.note(f"{place} file", shown(section.file), fix)
            return None
        try:
            content = path.read_bytes()
        except (OSError, ValueError) as err:
            fix = "Give the file from the folder of the van file."
            self.note(
                f"{place} file", f"{shown(section.file)} ({why_unread(err)})", fix
            )
            return None
        digest = hashlib.sha256(content).hexdigest()
        text = content.decode(DESCRIPTION_ENCODING[form], errors="replace")
        try:
            described = describe(text, form, Absence(section.absent))
        except DescriptionError as err:
            self.files.append(DescriptionFile(section.file, digest))
            fix = "Mend the description; it must read as its ending says."
            self.note(f"{place} file", f"{section.file}: {err}", fix)
            return None
        self.files.append(DescriptionFile(section.file, digest, described.remarks))
        return described.messages

    def _bus(self, place: str, bus: str | None, buses: Sequence[str]) -> BusMessages:
        """Return the messages of a bus, or of the one that was probably meant."""
        meant = bus
        if bus is not None and bus not in buses and None not in buses:
            self.note(f"{place} bus", shown(bus), nearest(bus, buses))
            meant = closest(bus, buses)
        if meant is None:
            # It may be any bus: of none of them is every message known now.
            for each in buses:
                self.of_bus.setdefault(each, BusMessages()).is_whole = False
            return BusMessages()
        return self.of_bus.setdefault(meant, BusMessages())


def _note_long(
    place: str,
    section: DescriptionSection,
    kept: BusMessages,
    message: DescribedMessage,
) -> None:
    """Note how a message comes that does not fit one frame."""
    key = message_key(message, Match(section.match))
    if key.match is not Match.GROUP or message.message.length <= SHORT_BYTES:
        return
    match section.long_messages:
        case "transport":
            kept.transport.add(key.number)
        case "fast-packet":
            kept.fast.add(key.number)
        case None:
            kept.untold[message.name] = place
        case "none":
            pass
        case _:
            assert_never(section.long_messages)
