"""What stands in one entry of the table: an identifier, or a group of 29-bit ones."""

from collections.abc import Sequence
from dataclasses import dataclass

from replay.listening.heard import BusHeard, Decoded, Ear, Identifier, in_order
from replay.listening.signals import SignalSeen

VALUES_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Talk:
    """One identifier, or all of one parameter group, whatever their source addresses.

    Attributes:
        members: At least one identifier.
        decoded: What is believed of the first one that is known; None if none is.
    """

    members: Sequence[Identifier]
    decoded: Decoded | None

    @property
    def label(self) -> str:
        """The identifier in hexadecimal, or the group as a number."""
        first = self.members[0]
        return f"{first.can_id:03X}" if first.group is None else f"{first.group}"

    @property
    def n(self) -> int:
        """How many frames."""
        return sum(each.n for each in self.members)

    @property
    def sources(self) -> str:
        """The source addresses, in hexadecimal; empty for 11 bits."""
        if self.members[0].group is None:
            return ""
        return " ".join(sorted({f"{each.can_id & 0xFF:02X}" for each in self.members}))

    @property
    def moving(self) -> str:
        """One mark a byte: `*` where it ever changed, `.` where it stood still."""
        size = max(each.longest for each in self.members)
        first = self.members[0]
        marks = ""
        for place in range(size):
            byte = first.sample[place : place + 1]
            moves = any(
                (place < len(each.moving) and each.moving[place])
                or each.sample[place : place + 1] != byte
                for each in self.members
            )
            marks += "*" if moves else "."
        return marks

    @property
    def rate_hz(self) -> float | None:
        """Frames a second; None where there was one only."""
        first_us = min(each.first_us for each in self.members)
        span_us = max(each.last_us for each in self.members) - first_us
        return (self.n - 1) * 1e6 / span_us if span_us > 0 else None

    @property
    def values(self) -> list[SignalSeen]:
        """Up to three signals to check by eye, those that move first."""
        if self.decoded is None:
            return []
        seen = [each for each in self.decoded.signals if each.n]
        return sorted(seen, key=lambda each: each.low == each.high)[:VALUES_SHOWN]

    @property
    def refused(self) -> dict[str, int]:
        """How often frames were refused, by reason."""
        refused = {} if self.decoded is None else self.decoded.refused
        return {reason.value: n for reason, n in refused.items()}


def talks(ear: Ear, bus: BusHeard) -> list[Talk]:
    """Return the entries of a bus: 11-bit identifiers first, then groups."""
    together: dict[tuple[int, bool], list[Identifier]] = {}
    for each in in_order(bus):
        key = each.can_id if each.group is None else each.group
        together.setdefault((key, each.is_extended), []).append(each)
    found = sorted(together.items(), key=lambda item: (item[0][1], item[0][0]))
    return [_talk(ear, bus, members) for _, members in found]


def _talk(ear: Ear, bus: BusHeard, members: Sequence[Identifier]) -> Talk:
    known = (ear.believed(bus, each) for each in members)
    return Talk(members, next((each for each in known if each is not None), None))
