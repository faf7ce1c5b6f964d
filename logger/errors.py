"""The errors a person has to act on: the place, what was found there, what to do.

A bad frame is not one of these: it is data (see `logger.decode.frames.Rejected`).
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, in the form every message of this program has."""

    where: str
    saw: str
    fix: str

    def __str__(self) -> str:
        """Return the fault as one line of plain words."""
        return f"{self.where}: found {self.saw}. {self.fix}"


class AmpledgerError(Exception):
    """Base of every error that a person must act on."""

    def __init__(self, *, where: str, saw: str, fix: str) -> None:
        self.faults: tuple[Fault, ...] = (Fault(where=where, saw=saw, fix=fix),)
        super().__init__(where, saw, fix)

    def __str__(self) -> str:
        """Return one line a fault."""
        return "\n".join(str(fault) for fault in self.faults)


class ConfigError(AmpledgerError):
    """The van file, or a file that it names, cannot be used as it is."""

    @classmethod
    def of(cls, faults: Sequence[Fault]) -> "ConfigError":
        """Return one error that carries every fault found in a file.

        Args:
            faults: At least one fault, in the order of the file.
        """
        first = faults[0]
        error = cls(where=first.where, saw=first.saw, fix=first.fix)
        error.faults = tuple(faults)
        return error


class SourceError(AmpledgerError):
    """A bus or a port cannot be opened or read."""


class StoreError(AmpledgerError):
    """The log cannot be opened, read or written."""


class CardError(StoreError):
    """The card takes or gives nothing for now; trying again may help."""


class DamageError(StoreError):
    """The log is ours and damaged; it has to be set aside."""


class RecordingError(AmpledgerError):
    """A recording cannot be read as what it was said to be."""
