"""The strip on top of Drive: the one thing that matters most now, in few words.

Pure. Words are fixed; state is carried by shape and word. It never says that a thing is
safe, only what was looked at.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from dashboard.ageing import Figure, Moment
from logger.core.health import Health
from logger.live import LiveSource

LINK_LOST_S = 5.0
"""A snapshot this old is no link: it is written five times a second."""

ALL_LIVE = "All readings live"
SOME_LATE = "Some readings late"
NO_LINK_TO_VAN = "No link to van"

NAMES = {"%": "charge", "kW out": "power out", "kW in": "power in", "kW sun": "sun"}
"""What the figure of a unit is called."""

StripState = Literal["ok", "note", "look"]
StripMark = Literal["ok", "note", "look", "differ"]


@dataclass(frozen=True, slots=True)
class Strip:
    """The strip.

    Attributes:
        state: How it is dressed.
        mark: The shape before its words.
        words: What it says.
        for_s: What is counted on behind the words, `for 14 s`; None where nothing is.
    """

    state: StripState
    mark: StripMark
    words: str
    for_s: float | None = None


def no_link(age_s: float) -> Strip:
    """Return the strip of a logger that says nothing any more.

    Args:
        age_s: Age of its newest snapshot, s.
    """
    return Strip("look", "look", "No link to logger", age_s)


def strip_of(moment: Moment, shown: Sequence[Figure], is_charge_known: bool) -> Strip:
    """Return the strip while the logger speaks.

    Args:
        moment: Snapshot and age.
        shown: The figures of the page.
        is_charge_known: False while no count has a start.
    """
    words = _to_look_at(moment)
    if words:
        return Strip("look", "look", words)
    if is_disagreeing(moment):
        return Strip("look", "differ", "Counts disagree")
    gone = [each for each in shown if each.state == "none" and each.value is not None]
    if gone:
        name = NAMES.get(gone[0].unit, gone[0].unit)
        return Strip("look", "look", f"No reading of {name}")
    if not is_charge_known:
        return Strip("note", "note", "Charge not known")
    ailing = [each for each in moment.snapshot.sources if each.trouble]
    if ailing:
        return Strip("note", "note", _named(ailing, "has errors"))
    if any(each.state == "late" for each in shown):
        return Strip("note", "note", SOME_LATE)
    return Strip("ok", "ok", ALL_LIVE)


def is_disagreeing(moment: Moment) -> bool:
    """Return whether count and meter tell two charges."""
    readings = moment.snapshot.readings
    pair = (readings.get("pack.soc_pct"), readings.get("meter.soc_pct"))
    return any(each and each.health is Health.DISAGREEING for each in pair)


def _to_look_at(moment: Moment) -> str:
    snapshot = moment.snapshot
    lost = [each for each in snapshot.sources if each.state == "lost"]
    if lost:
        return _named(lost, "lost")
    if snapshot.not_stored:
        return "Nothing is stored"
    doubted = _doubted(moment)
    if doubted:
        return doubted
    silent = [each for each in snapshot.sources if each.state == "silent"]
    return _named(silent, "silent") if silent else ""


def _named(sources: Sequence[LiveSource], word: str) -> str:
    name = sources[0].name
    more = f" and {len(sources) - 1} more" if len(sources) > 1 else ""
    return f"{name[:1].upper()}{name[1:]} {word}{more}"


DOUBTED = {
    "pack.soc_pct": "Charge",
    "pack.current_a": "Pack current",
    "pack.power_w": "Power",
}
"""What Drive's figures rest on, and how it is called."""


def _doubted(moment: Moment) -> str:
    for channel, name in DOUBTED.items():
        reading = moment.snapshot.readings.get(channel)
        if reading is not None and reading.health is Health.IMPLAUSIBLE:
            return f"{name} implausible"
        if reading is not None and reading.health is Health.FROZEN:
            return f"{name} frozen"
    return ""
