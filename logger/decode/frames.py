"""What comes in from the edges, and what is refused.

Every item carries microseconds since the run's zero and a sequence number; both are
stamped once, at the edge, and the raw recorder keeps them.
"""

from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True)
class Frame:
    """One CAN data frame.

    Attributes:
        t_us: Microseconds since the run's zero.
        seq: Number in the order of arrival, over all sources of the run.
        bus: Name of the bus in the van file.
        can_id: Identifier, 11 or 29 bits.
        is_extended: True for a 29-bit identifier.
        data: Payload, 0 to 64 bytes; more for one put together from several.
    """

    t_us: int
    seq: int
    bus: str
    can_id: int
    is_extended: bool
    data: bytes


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a serial port, without its line end."""

    t_us: int
    seq: int
    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table of channels.

    Attributes:
        t_us: Microseconds since the run's zero.
        seq: Number in the order of arrival.
        table: Name of the table in the van file.
        cells: One text a feed, in the order of the table's feeds; None where empty.
    """

    t_us: int
    seq: int
    table: str
    cells: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Beat:
    """Time has passed, whatever the boxes say: a silent second ends too."""

    t_us: int
    seq: int


@dataclass(frozen=True, slots=True)
class Entry:
    """What a person told: a note, a date, or the state of something nobody measures.

    Attributes:
        t_us: Microseconds since the run's zero, when it was booked.
        seq: Number in the order of arrival.
        number: Its number on the desk; 0 for what an earlier run was told.
        kind: `note`, `clock` for a date, `reading` for a value of a channel that is
            told by hand, or `taken over` for one that an earlier run was told.
        text: The words of a note; of a date, the start of the computer it belongs to.
        channel: The channel of a reading; otherwise empty.
        value: Its value, in the channel's unit; of a date, the date at which that start
            of the computer began, microseconds since the Unix epoch.
    """

    t_us: int
    seq: int
    number: int
    kind: str
    text: str
    channel: str = ""
    value: float = 0.0


Item = Frame | Line | Row | Beat | Entry
Raw = Frame | Line | Beat | Entry
"""What the flight recorder keeps: all of it, so that a live run can be played again."""


class Reason(Enum):
    """Why something that came in was not counted."""

    SHORT = "frame shorter than described"
    INCOMPLETE = "long message with a part missing"
    SHORT_LINE = "fewer fields than described"
    CHECKSUM = "wrong checksum"
    UNDECODABLE = "does not fit its description"
    NOT_A_NUMBER = "not a number"
    NO_SUCH_CODE = "code without a meaning"
    NOT_TOLD = "not a channel that is told by hand"
    IMPLAUSIBLE = "outside the plausible range"


@dataclass(frozen=True, slots=True)
class Rejected:
    """A frame that its decoder refused, with the bytes that were refused."""

    reason: Reason
    data: bytes


Values = tuple[float | int | None, ...]
"""The values of one message in its fixed signal order; None where one is absent."""
