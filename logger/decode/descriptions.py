"""Messages as a DBC or KCD description tells them, and how frames find theirs.

The description is data, read by cantools; a device never has code. `decode` answers
with one value a signal in the message's fixed order, or says why it refused; what
stands behind it is made by `unpacking`, and cantools is what that is tested against.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

import cantools.database
from cantools.database.can import Database, Message
from cantools.database.errors import Error as CantoolsError

from logger.decode.frames import Frame, Rejected, Values
from logger.decode.j1939 import parameter_group
from logger.decode.layout import Absence, Layout, LayoutError, layout_of
from logger.decode.repairing import repair_sections
from logger.decode.unpacking import Unpack, compile_unpacker


class Form(Enum):
    """The kinds of description that can be read, by file name ending."""

    DBC = "dbc"
    KCD = "kcd"


SIZES = re.compile(
    r"(?:^\s*BO_\s+\d+\s+\w+\s*:\s*|\|(?=\d+@)|\blength=[\"'])(\d+)", re.MULTILINE
)
"""Where a description says how long a message (bytes) or signal (bits) is."""

LONGEST_SIZE_DIGITS = 5
"""No transport carries 100,000 bytes; reading such a layout would take for ever."""


class Match(Enum):
    """How a frame finds its message."""

    IDENTIFIER = "identifier"
    GROUP = "group"
    NODE = "node"


FUNCTION_BITS, NODE_BITS = 0x780, 0x07F
"""The parts of an 11-bit identifier: what is sent, and which node sends (CiA 301)."""


class DescriptionError(ValueError):
    """A description that cannot be read, in the reader's words."""


class Decoder(Protocol):
    """Turns the payload of one message into values."""

    @property
    def name(self) -> str:
        """The message's name in its description."""

    @property
    def signals(self) -> tuple[str, ...]:
        """The names of the values that `decode` returns, in its order."""

    def decode(self, data: bytes) -> Values | Rejected:
        """Return one value a signal, or why the payload was refused."""


@dataclass(frozen=True, slots=True)
class DescribedMessage:
    """One message of a description.

    Attributes:
        message: What cantools read.
        signals: Signal names in the order of the decoded values.
        layout: Where the values lie.
        decode: The unpacker. It answers with the scaled values of one payload, None for
            a multiplexed signal that is not in it, for a float that is not a finite
            number and for what the description's `Absence` says is none; or with
            `Rejected`. Bytes past the described length are ignored.
    """

    message: Message
    signals: tuple[str, ...]
    layout: Layout
    decode: Unpack

    @property
    def name(self) -> str:
        """The message's name."""
        return self.message.name


@dataclass(frozen=True, slots=True)
class Description:
    """What was read of a description.

    Attributes:
        messages: Its messages, in its order.
        remarks: What a person should know of how it was read, a sentence each.
    """

    messages: tuple[DescribedMessage, ...]
    remarks: tuple[str, ...]


def compile_message(
    message: Message, absence: Absence = Absence.DESCRIBED
) -> DescribedMessage:
    """Turn a message that cantools read into one that decodes.

    Args:
        message: What cantools read.
        absence: Which raw values say that there is no value.

    Raises:
        DescriptionError: No unpacker can be made for it.
    """
    try:
        layout = layout_of(message, absence)
    except LayoutError as err:
        raise DescriptionError(f"message {message.name}: {err}") from err
    names = tuple(signal.name for signal in message.signals)
    return DescribedMessage(message, names, layout, compile_unpacker(layout))


def read_description(
    text: str, form: Form, absence: Absence = Absence.DESCRIBED
) -> tuple[DescribedMessage, ...]:
    """Return the messages of a description, in its order.

    Args:
        text: The whole file.
        form: What kind of description it is.
        absence: Which raw values say that there is no value.

    Raises:
        DescriptionError: The text is not such a description.
    """
    return describe(text, form, absence).messages


def describe(
    text: str, form: Form, absence: Absence = Absence.DESCRIBED
) -> Description:
    """Return the messages of a description and what is to be said of its reading.

    A DBC that lacks sections which may be empty is read as if they were there.

    Args:
        text: The whole file.
        form: What kind of description it is.
        absence: Which raw values say that there is no value.

    Raises:
        DescriptionError: The text is not such a description.
    """
    if any(len(size) > LONGEST_SIZE_DIGITS for size in SIZES.findall(text)):
        raise DescriptionError("a message or signal of an absurd length")
    try:
        database, remarks = _load_mended(text, form)
    except CantoolsError as err:
        raise DescriptionError(" ".join(str(err).split())) from err
    messages = tuple(compile_message(each, absence) for each in database.messages)
    return Description(messages, remarks)


def _load_mended(text: str, form: Form) -> tuple[Database, tuple[str, ...]]:
    """Return a description, if need be with what was mended in it."""
    try:
        return _load(text, form), ()
    except CantoolsError:
        repaired = repair_sections(text) if form is Form.DBC else None
        if repaired is None:
            raise
        try:
            return _load(repaired.text, form), (repaired.remark,)
        except CantoolsError:
            pass
        raise  # what was wrong with the text as it is, with its line


def _load(text: str, form: Form) -> Database:
    database = cantools.database.load_string(text, database_format=form.value)
    assert isinstance(database, Database), "DBC and KCD describe CAN networks"
    return database


@dataclass(frozen=True, slots=True)
class Key:
    """What a frame is matched by: an identifier, a parameter group or a function."""

    match: Match
    number: int
    is_extended: bool


def message_key(message: DescribedMessage, match: Match) -> Key:
    """Return what frames of a message are matched by.

    A message with an 11-bit identifier has no group, one of 29 bits no node; such a
    message keeps its identifier.
    """
    frame_id, is_extended = message.message.frame_id, message.message.is_extended_frame
    if match is Match.GROUP and is_extended:
        return Key(Match.GROUP, parameter_group(frame_id), True)
    if match is Match.NODE and not is_extended:
        return Key(Match.NODE, frame_id & FUNCTION_BITS, False)
    return Key(Match.IDENTIFIER, frame_id, is_extended)


class MessageTable:
    """Finds the message of a frame: by identifier first, then by group or function."""

    def __init__(self, keyed: Iterable[tuple[Key, Decoder]]) -> None:
        self._short: dict[int, Decoder] = {}
        self._extended: dict[int, Decoder] = {}
        self._by_group: dict[int, Decoder] = {}
        self._by_function: dict[int, Decoder] = {}
        for key, decoder in keyed:
            if key.match is Match.GROUP:
                self._by_group[key.number] = decoder
            elif key.match is Match.NODE:
                self._by_function[key.number] = decoder
            elif key.is_extended:
                self._extended[key.number] = decoder
            else:
                self._short[key.number] = decoder

    def find(self, frame: Frame) -> Decoder | None:
        """Return the decoder of a frame, or None where nothing describes it."""
        if not frame.is_extended:
            found = self._short.get(frame.can_id)
            if found is None and self._by_function and frame.can_id & NODE_BITS:
                # Node 0 is no node: those identifiers mean something else.
                return self._by_function.get(frame.can_id & FUNCTION_BITS)
            return found
        found = self._extended.get(frame.can_id)
        if found is None and self._by_group:
            return self._by_group.get(parameter_group(frame.can_id))
        return found


def clashes(keyed: Sequence[tuple[Key, str]]) -> list[tuple[str, str]]:
    """Return the pairs of message names that the same frames would match."""
    seen: dict[Key, str] = {}
    pairs = []
    for key, name in keyed:
        if key in seen:
            pairs.append((seen[key], name))
        seen.setdefault(key, name)
    return pairs
