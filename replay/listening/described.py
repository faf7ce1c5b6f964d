"""The descriptions that what is heard is held against, and whose bus each tells of."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.decode.assembly import LongGroups
from logger.decode.bundles import BUNDLES
from logger.decode.descriptions import (
    DescribedMessage,
    DescriptionError,
    Form,
    Key,
    Match,
    MessageTable,
    message_key,
    read_description,
)
from logger.decode.layout import Absence
from logger.errors import ConfigError
from logger.van.bundled import read_bundled
from logger.van.describing import DESCRIPTION_ENCODING
from logger.van.reading import Van
from logger.van.settings import DescriptionSection

CLASSIC_BYTES = 8
"""What one frame of a classic bus carries; a longer message comes in parts."""

Keyed = Sequence[tuple[Key, DescribedMessage]]


@dataclass(frozen=True, slots=True)
class Described:
    """One description.

    Attributes:
        name: The file as a person named it.
        path: Where it lies.
        bus: The bus that it was given for; None to find out.
        match: How its messages are matched, besides their own identifiers.
        keyed: Its messages with what their frames are matched by.
        table: Finds the message of a frame.
        long_groups: The groups whose messages need more than one frame.
        bundled: Its name among the tables that come with the program, if it is one.
    """

    name: str
    path: Path
    bus: str | None
    match: Match
    keyed: Keyed = field(repr=False)
    table: MessageTable = field(repr=False)
    long_groups: LongGroups = field(repr=False)
    bundled: str | None = None


def _carried(keyed: Keyed) -> frozenset[int]:
    """Return the groups whose messages need more than one frame."""
    return frozenset(
        key.number
        for key, message in keyed
        if key.match is Match.GROUP and message.message.length > CLASSIC_BYTES
    )


def given(words: Iterable[str]) -> list[Described]:
    """Return the descriptions of a command line, each `[BUS=]FILE` or a bundled table.

    Raises:
        ConfigError: One cannot be read.
    """
    made = []
    for word in words:
        bus, is_for_bus, file = word.partition("=")
        name = file if is_for_bus else word
        make = _bundled if name in BUNDLES else _given
        made.append(make(name, bus if is_for_bus else None))
    return made


def _given(name: str, bus: str | None) -> Described:
    """Read a description of which nobody says how its frames are matched.

    By identifier; a 29-bit one also by group, whatever the source address.
    """
    messages = _messages(Path(name), name)
    keyed = [(message_key(each, Match.IDENTIFIER), each) for each in messages]
    groups = [
        (key, each)
        for each in messages
        if (key := message_key(each, Match.GROUP)).match is Match.GROUP
    ]
    match = Match.GROUP if groups else Match.IDENTIFIER
    both = [*keyed, *groups]
    # By the transport protocol, since nobody says otherwise.
    carried = LongGroups(transport=_carried(both))
    return Described(name, Path(name), bus, match, both, MessageTable(both), carried)


def of_van(van: Van) -> list[Described]:
    """Return the descriptions of a sound van file, each for its bus."""
    return [_of_section(van, each) for each in van.settings.descriptions]


def _of_section(van: Van, section: DescriptionSection) -> Described:
    if section.bundled is not None:
        return _bundled(section.bundled, section.bus)
    name = section.file or ""
    path, match = van.path.parent / name, Match(section.match)
    messages = _messages(path, name, Absence(section.absent))
    keyed = [(message_key(each, match), each) for each in messages]
    groups = _carried(keyed)
    is_fast, is_whole = (section.long_messages == w for w in ("fast-packet", "none"))
    carried = LongGroups(
        transport=groups if not (is_fast or is_whole) else frozenset(),
        fast=groups if is_fast else frozenset(),
    )
    return Described(
        name, path, section.bus, match, keyed, MessageTable(keyed), carried
    )


def _bundled(name: str, bus: str | None) -> Described:
    """Return a table that comes with the program, as a description of a bus."""
    table = read_bundled(name)
    match, groups = table.bundle.match, table.bundle.long_groups
    keyed = [(message_key(each, match), each) for each in table.messages]
    return Described(
        f"bundled {name}",
        Path(table.bundle.file_name),
        bus,
        match,
        keyed,
        MessageTable(keyed),
        groups,
        bundled=name,
    )


def _messages(
    path: Path, name: str, absence: Absence = Absence.DESCRIBED
) -> Sequence[DescribedMessage]:
    try:
        form = Form(path.suffix.lower().removeprefix("."))
        text = path.read_bytes().decode(DESCRIPTION_ENCODING[form], errors="replace")
        return read_description(text, form, absence)
    except (OSError, DescriptionError, ValueError) as err:
        raise ConfigError(
            where=name,
            saw=_reason(err, path),
            fix="Give a DBC or KCD description that can be read, as [BUS=]FILE, or a "
            f"bundled table: {', '.join(BUNDLES)}.",
        ) from err


def _reason(err: Exception, path: Path) -> str:
    if isinstance(err, OSError):
        return (err.strerror or str(err)).lower()
    if isinstance(err, DescriptionError):
        return str(err)
    return f"a name that ends in {path.suffix or 'nothing'!r}"


def fitting_buses(found: Mapping[str, int]) -> frozenset[str]:
    """Return the buses that a description given for none belongs to.

    Two networks use the same numbers for different things. It belongs where it knows
    most of what is heard, and where it knows at least half as much; design judgement.

    Args:
        found: How many identifiers it knows of those heard, by bus.
    """
    most = max(found.values(), default=0)
    return frozenset(bus for bus, n in found.items() if n and 2 * n >= most)
