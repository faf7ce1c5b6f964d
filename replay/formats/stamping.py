"""Time stamps for recordings that have none, where a person asked for them.

Without such a wish a recording without stamps is refused: how fast energy flowed cannot
be told from an order of frames.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger.core.tick import US_PER_S
from logger.errors import RecordingError


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person said about a recording that does not tell all by itself.

    Attributes:
        every_s: Time between two frames or lines of it, s; None to refuse them.
        by_sentences: Whether a satellite receiver's text is to be dated by itself.
        port: The port that its lines came from; None for the only one there is.
    """

    every_s: float | None = None
    by_sentences: bool = False
    port: str | None = None


NO_WISH = Wish()


def stamper(wish: Wish, path: Path) -> Callable[[int], int]:
    """Return what turns the number of an item into its stamp, microseconds from 0.

    Args:
        wish: What was asked for.
        path: The recording, for the error.

    Raises:
        RecordingError: Nothing was asked for.
    """
    if wish.every_s is None:
        raise RecordingError(
            where=str(path),
            saw="no time stamps",
            fix="Record with time stamps, or give --every with the seconds between two "
            "lines (--by-sentences for a satellite receiver's text).",
        )
    step_us = wish.every_s * US_PER_S
    return lambda number: round(number * step_us)
