"""One kind of line that the feeds of a van file may name."""

from collections.abc import Callable
from dataclasses import dataclass

from logger.decode.text_lines import Form

Wanted = tuple[str, ...]
"""Names of the fields that are fed, in the order of the decoded values."""


@dataclass(frozen=True, slots=True)
class LineKind:
    """One kind of line that feeds may name.

    Attributes:
        port: Name of its port.
        name: Its own.
        fields: Names of its fields; None where any name may come.
        form: Makes what it is read by.
    """

    port: str
    name: str
    fields: tuple[str, ...] | None
    form: Callable[[Wanted], Form]
