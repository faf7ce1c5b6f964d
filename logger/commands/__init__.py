"""The command line's own part: the group, and what needs no recording or page."""

from logger.commands.group import (
    CAUTION,
    FAILED,
    NEEDS_LOOK,
    SHORT_CAUTION,
    WRONG_CALL,
    examples,
    main,
)

__all__ = [
    "CAUTION",
    "FAILED",
    "NEEDS_LOOK",
    "SHORT_CAUTION",
    "WRONG_CALL",
    "examples",
    "main",
]
