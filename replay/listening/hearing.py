"""All that was heard in one listening: buses, ports, and what a person should know."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from logger.decode.frames import Frame, Item, Line
from replay.listening.heard import Ear
from replay.listening.lines_heard import LineEar


@dataclass(slots=True)
class Hearing:
    """One listening.

    Attributes:
        ear: What it hears on buses.
        lines: What it hears on ports.
        remarks: What a person should know, a sentence each.
        needs_look: Whether something was damaged or could not be opened.
    """

    ear: Ear
    lines: LineEar
    remarks: list[str] = field(default_factory=list)
    needs_look: bool = False

    def take(self, items: Iterable[Item]) -> None:
        """Take in what arrived."""
        for item in items:
            if isinstance(item, Frame):
                self.ear.take(item)
            elif isinstance(item, Line):
                self.lines.take(item)

    @property
    def is_silent(self) -> bool:
        """True if nothing was heard at all."""
        return not self.ear.buses and not self.lines.ports
