"""The descriptions that what is heard is held against, and whose bus each tells of."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from logger.decode.assembly import LongGroups
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
from logger.errors import ConfigError
from logger.van.reading import DESCRIPTION_ENCODING, Van
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
    """

    name: str
    path: Path
    bus: str | None
    match: Match
    keyed: Keyed = field(repr=False)
    table: MessageTable = field(repr=False)

    @property
    def long_groups(self) -> LongGroups:
        """The groups whose messages need more than one frame."""
        groups = {
            key.number
            for key, message in self.keyed
            if key.match is Match.GROUP and message.message.length > CLASSIC_BYTES
        }
        return LongGroups(transport=frozenset(groups))


def given(words: Iterable[str]) -> list[Described]:
    """Return the descriptions of a command line, each `[BUS=]FILE`.

    Raises:
        ConfigError: One cannot be read.
    """
    made = []
    for word in words:
        bus, is_for_bus, file = word.partition("=")
        name = file if is_for_bus else word
        made.append(_given(name, bus if is_for_bus else None))
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
    return Described(name, Path(name), bus, match, both, MessageTable(both))


def of_van(van: Van) -> list[Described]:
    """Return the descriptions of a sound van file, each for its bus."""
    return [_of_section(van, each) for each in van.settings.descriptions]


def _of_section(van: Van, section: DescriptionSection) -> Described:
    path, match = van.path.parent / section.file, Match(section.match)
    keyed = [(message_key(m, match), m) for m in _messages(path, section.file)]
    return Described(section.file, path, section.bus, match, keyed, MessageTable(keyed))


def _messages(path: Path, name: str) -> Sequence[DescribedMessage]:
    try:
        form = Form(path.suffix.lower().removeprefix("."))
        text = path.read_bytes().decode(DESCRIPTION_ENCODING[form], errors="replace")
        return read_description(text, form)
    except (OSError, DescriptionError, ValueError) as err:
        raise ConfigError(
            where=name,
            saw=_reason(err, path),
            fix="Give a DBC or KCD description that can be read, as [BUS=]FILE.",
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
