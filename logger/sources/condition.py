"""What a source may tell of itself beyond what it hears; both are for it to choose."""

from dataclasses import dataclass
from typing import Protocol, runtime_checkable


@dataclass(frozen=True, slots=True)
class Condition:
    """What is wrong with a source that is open.

    Attributes:
        errors: Error frames, or lines that were refused, since the start.
        lost: Items that were lost before this program could read them.
        text: What is going on, in words; empty where all is well.
    """

    errors: int = 0
    lost: int = 0
    text: str = ""


SOUND = Condition()
"""Nothing is wrong."""


@runtime_checkable
class Conditioned(Protocol):
    """A source that knows what is wrong on its line."""

    def condition(self) -> Condition:
        """Return what is wrong; any thread may ask."""


@runtime_checkable
class Placed(Protocol):
    """A source whose device can be seen to come back, without opening it."""

    def sign(self) -> str:
        """Return a text that changes when the device comes, goes or is switched on."""
