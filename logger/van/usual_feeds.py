"""The feeds of a satellite receiver, which nobody has to write down.

A port that speaks NMEA 0183 feeds the channels `gps.…` as it stands here, unless a feed
of the van file names the port. Boxes that the file ranks go first.
"""

from logger.van.draft import Draft, Numbered
from logger.van.section import Section
from logger.van.settings import FeedSection, PortSection

PLACE = ("latitude_deg", "longitude_deg")
MOTION = ("speed_mps", "track_deg")

USUAL: tuple[tuple[str, tuple[str, ...], int], ...] = (
    ("rmc", ("time_s", *PLACE, *MOTION), 1),
    ("rmc", ("fix",), 2),
    ("gga", ("fix", "altitude_m", "satellites_count", "dilution_ratio"), 1),
    ("gga", PLACE, 2),
    ("vtg", MOTION, 2),
    ("gsa", ("dilution_ratio",), 2),
    ("gll", (*PLACE, "fix"), 3),
)
"""Sentence, its fields, each for the channel `gps.` of its name, and their rank. The
sentence that tells most goes first, so that values of one moment stay together. The
time of ZDA is not among them: that sentence does not say whether there is a fix."""

LOWEST_RANK = 9
"""As in the van file."""


def add_usual_feeds(draft: Draft) -> None:
    """Add the feeds of every such port to a draft."""
    feeds = draft.repeated.setdefault("feed", [])
    written = {each.section.port for each in draft.each(FeedSection)}
    for port in draft.each(PortSection):
        is_free = port.is_whole and port.section.name not in written
        if is_free and port.section.speaks == "nmea":
            feeds += _feeds(draft, port)


def _feeds(draft: Draft, port: Numbered[PortSection]) -> list[Numbered[Section]]:
    """Return the feeds of one port, behind those that are there."""
    made: list[Numbered[Section]] = []
    taken: dict[str, int] = {}
    for each in draft.each(FeedSection):
        section = each.section
        taken[section.channel] = max(taken.get(section.channel, 0), section.rank)
    for line, fields, rank in USUAL:
        for field in fields:
            channel = f"gps.{field}"
            behind = taken.get(channel, 0) + rank
            if behind <= LOWEST_RANK:
                feed = FeedSection(
                    channel=channel,
                    port=port.section.name,
                    line=line,
                    field=field,
                    rank=behind,
                )
                made.append(Numbered(port.place, feed, True))
    return made
