"""Text lines of a serial port, cut into fields as the van file describes them.

Knows separators and checksums; no port and no channel. A line is either fields by
their place, or `key=value` pairs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from logger.decode.checksums import Checksum, digits_of
from logger.decode.frames import Reason, Rejected

Texts = tuple[str | None, ...]
"""One text a wanted field, in their order; None where the line has none."""

Found = tuple[float | int | str | None, ...]
"""The same of any kind of line: texts that are read later on, or values."""


class Form(Protocol):
    """One kind of line of a port, whoever describes it."""

    @property
    def name(self) -> str:
        """What the van file calls it."""

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the wanted fields, in the order of what `decode` returns."""

    def takes(self, data: bytes) -> bool:
        """Return whether a line, without its end, is of this kind."""

    def decode(self, data: bytes) -> Found | Rejected:
        """Return the wanted fields of one line, or why it was refused."""


@dataclass(frozen=True, slots=True)
class LineForm:
    """One kind of line.

    Attributes:
        name: What the van file calls it.
        begins: How such a line begins; every line where it is empty.
        separator: What stands between two fields.
        checksum: What it ends in, as hexadecimal digits behind `mark`.
        columns: Names of the fields by their place; None for `key=value` pairs.
        fields: Names of the wanted ones, in the order of the decoded texts.
        equals: What stands between a key and its value.
        mark: What stands before the checksum.
        skips: How many of the first bytes are no part of what is summed.
    """

    name: str
    begins: str
    separator: str
    checksum: Checksum
    columns: tuple[str, ...] | None
    fields: tuple[str, ...]
    equals: str = "="
    mark: str = "*"
    skips: int = 0

    def takes(self, data: bytes) -> bool:
        """Return whether a line, without its end, begins like this kind."""
        return data.startswith(self.begins.encode())

    def decode(self, data: bytes) -> Texts | Rejected:
        """Return the wanted fields of one line, or why it was refused.

        Args:
            data: The line, without its end.
        """
        body = data
        if self.checksum is not Checksum.NONE:
            body, mark, digits = data.rpartition(self.mark.encode())
            right = digits_of(self.checksum, body[self.skips :])
            if not mark or digits.upper() != right:
                return Rejected(Reason.CHECKSUM, data)
        parts = body.decode("ascii", errors="replace").split(self.separator)
        if self.columns is None:
            pairs = (part.partition(self.equals) for part in parts)
            found = {key.strip(): value.strip() for key, _, value in pairs}
        elif len(parts) < len(self.columns):
            return Rejected(Reason.SHORT_LINE, data)
        else:
            # What stands behind the last described field is the device's own affair.
            texts = (part.strip() for part in parts)
            found = dict(zip(self.columns, texts, strict=False))
        return tuple(found.get(field) or None for field in self.fields)


def find_form(forms: Sequence[Form], data: bytes) -> Form | None:
    """Return the form of a line, the first that fits, or None.

    Args:
        forms: The forms of its port, in the order of the van file.
        data: The line, without its end.
    """
    for form in forms:
        if form.takes(data):
            return form
    return None
