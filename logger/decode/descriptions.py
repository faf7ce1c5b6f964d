"""Messages as a DBC or KCD description tells them, and how frames find theirs.

The description is data, read by cantools; a device never has code. `decode` answers
with one value a signal in the message's fixed order, or says why it refused. The shape
is final; what stands behind `decode` may get faster.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

import cantools.database
from cantools.database.can import Database, Message
from cantools.database.errors import Error as CantoolsError

from logger.decode.frames import Frame, Reason, Rejected, Values
from logger.decode.j1939 import parameter_group


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
    """

    message: Message
    signals: tuple[str, ...]

    @property
    def name(self) -> str:
        """The message's name."""
        return self.message.name

    def decode(self, data: bytes) -> Values | Rejected:
        """Return the values of one payload in the order of `signals`.

        Args:
            data: The payload; bytes past the described length are ignored.

        Returns:
            Scaled values, None for a multiplexed signal that is not in this payload
            and for a float that is not a finite number; or `Rejected`.
        """
        if len(data) < self.message.length:
            return Rejected(Reason.SHORT, data)
        try:
            decoded = self.message.decode_simple(data, decode_choices=False)
        except (CantoolsError, ValueError, OverflowError):
            # The latter two: a selector in floating point that is not a finite number.
            return Rejected(Reason.UNDECODABLE, data)
        return tuple(_number(decoded.get(signal)) for signal in self.signals)


def _number(value: object) -> float | int | None:
    if isinstance(value, int):
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    return None


def read_description(text: str, form: Form) -> tuple[DescribedMessage, ...]:
    """Return the messages of a description, in its order.

    Args:
        text: The whole file.
        form: What kind of description it is.

    Raises:
        DescriptionError: The text is not such a description.
    """
    if any(len(size) > LONGEST_SIZE_DIGITS for size in SIZES.findall(text)):
        raise DescriptionError("a message or signal of an absurd length")
    try:
        database = cantools.database.load_string(text, database_format=form.value)
    except CantoolsError as err:
        raise DescriptionError(" ".join(str(err).split())) from err
    assert isinstance(database, Database), "DBC and KCD describe CAN networks"
    return tuple(
        DescribedMessage(message, tuple(signal.name for signal in message.signals))
        for message in database.messages
    )


@dataclass(frozen=True, slots=True)
class Key:
    """What a frame is matched by: an identifier or a parameter group."""

    match: Match
    number: int
    is_extended: bool


def message_key(message: DescribedMessage, match: Match) -> Key:
    """Return what frames of a message are matched by.

    A message with an 11-bit identifier has no group and keeps its identifier.
    """
    frame_id, is_extended = message.message.frame_id, message.message.is_extended_frame
    if match is Match.GROUP and is_extended:
        return Key(Match.GROUP, parameter_group(frame_id), True)
    return Key(Match.IDENTIFIER, frame_id, is_extended)


class MessageTable:
    """Finds the message of a frame: by identifier first, then by group."""

    def __init__(self, keyed: Iterable[tuple[Key, Decoder]]) -> None:
        self._by_id: dict[tuple[int, bool], Decoder] = {}
        self._by_group: dict[int, Decoder] = {}
        for key, decoder in keyed:
            if key.match is Match.GROUP:
                self._by_group[key.number] = decoder
            else:
                self._by_id[key.number, key.is_extended] = decoder

    def find(self, frame: Frame) -> Decoder | None:
        """Return the decoder of a frame, or None where nothing describes it."""
        found = self._by_id.get((frame.can_id, frame.is_extended))
        if found is None and frame.is_extended and self._by_group:
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
