"""What is read out of the van file that a run was counted by, as the log holds it.

The files that it names are not in the log, and it may be of an older program: what can
be read is read, the rest is left out.
"""

import tomllib
from collections.abc import Sequence
from datetime import UTC, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

from logger.van.draft import Draft
from logger.van.settings import BusSection, StringSection


@lru_cache(maxsize=8)
def stored_van(text: str) -> Draft:
    """Return the sections of a stored van file, as far as they can be read.

    Args:
        text: The whole van file.
    """
    draft = Draft(lambda section, saw, fix: None)
    try:
        draft.fill(tomllib.loads(text))
    except (ValueError, RecursionError):
        return Draft(draft.note)
    return draft


def time_zone(van: Draft) -> tzinfo:
    """Return the zone that decides where a day ends; UTC where it cannot be read."""
    try:
        return ZoneInfo(van.van.time_zone) if van.van is not None else UTC
    except (OSError, ValueError, KeyError, TypeError):
        return UTC


def whole_strings(van: Draft) -> Sequence[StringSection]:
    """Return the solar strings that are described soundly."""
    return [each.section for each in van.each(StringSection) if each.is_whole]


def whole_buses(van: Draft) -> Sequence[BusSection]:
    """Return the buses that are described soundly, in the order of the file."""
    return [each.section for each in van.each(BusSection) if each.is_whole]
