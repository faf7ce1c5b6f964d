"""Dates on the command line: ISO 8601, in the van's own zone where they name none."""

from datetime import datetime, tzinfo

import click

from logger.core.dating import EPOCH
from logger.core.tick import US_PER_S


def stamp_us(text: str, zone: tzinfo, option: str) -> int:
    """Return a date as microseconds since the Unix epoch.

    Args:
        text: What was written.
        zone: The zone that is meant where it names none.
        option: The option that it was written behind, for the message.

    Raises:
        click.BadParameter: It is no date.
    """
    try:
        date = datetime.fromisoformat(text)
    except ValueError as err:
        raise click.BadParameter(
            f"{text!r} is no date; write it as 2024-06-28T10:02:15Z.",
            param_hint=option,
        ) from err
    if date.tzinfo is None:
        date = date.replace(tzinfo=zone)
    return round((date - EPOCH).total_seconds() * US_PER_S)
