"""What the Log asks while nobody has confirmed the computer's date, as words. Pure."""

from dataclasses import dataclass

from dashboard.wording import Units, date_text
from logger.live import Snapshot


@dataclass(frozen=True, slots=True)
class ClockQuestion:
    """The sentence, and whether an answer can be taken.

    Attributes:
        date: The date that is not confirmed.
        zone: The zone that it is told in.
        can_answer: True where a phone may give its own.
    """

    date: str
    zone: str
    can_answer: bool


def clock_question(
    snapshot: Snapshot | None, units: Units, *, has_desk: bool
) -> ClockQuestion | None:
    """Return what to ask; None while the date is sure, or no logger runs.

    Args:
        snapshot: The newest one of a logger that runs; None without.
        units: Zone and units of the van.
        has_desk: Whether a person may enter anything here.
    """
    if snapshot is None or snapshot.is_clock_sure:
        return None
    day = date_text(units.day(snapshot.wall_us))
    date = f"{day}, {units.clock(snapshot.wall_us)}"
    return ClockQuestion(date, units.zone_name, has_desk)
