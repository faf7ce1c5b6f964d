"""Dates on the command line: ISO 8601, in the van's own zone where they name none."""

from datetime import datetime, tzinfo

import click

from logger.core.dating import EPOCH
from logger.core.satellites import LATEST_US
from logger.core.tick import US_PER_S

EARLIEST_US = 946_684_800 * US_PER_S
"""1 January 2000: a recording may be older than this program."""


def stamp_us(text: str, zone: tzinfo, option: str) -> int:
    """Return a date as microseconds since the Unix epoch.

    Args:
        text: What was written.
        zone: The zone that is meant where it names none.
        option: The option that it was written behind, for the message.

    Raises:
        click.BadParameter: It is no date, or not one of this century.
    """
    try:
        date = datetime.fromisoformat(text)
    except ValueError as err:
        raise click.BadParameter(
            f"{text!r} is no date; write it as 2026-06-19T07:12:00Z.",
            param_hint=option,
        ) from err
    if date.tzinfo is None:
        date = date.replace(tzinfo=zone)
    date_us = round((date - EPOCH).total_seconds() * US_PER_S)
    if not EARLIEST_US <= date_us < LATEST_US:
        raise click.BadParameter(
            f"{text!r} is not from 2000 to 2100.", param_hint=option
        )
    return date_us
