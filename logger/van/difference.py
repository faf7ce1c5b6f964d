"""What differs between the van file of a run and a corrected one, as far as it counts.

Knows settings; reads no file. What only pages, prices or the log itself ask for is no
difference: names, tariffs, the reserve, what is kept.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from logger.pipeline.correcting import Gain
from logger.van.section import Section
from logger.van.settings import FeedSection, Settings, WheelSection
from logger.van.units import gain

COUNT_KEYS = (
    "nameplate_ah",
    "capacity_is_measured",
    "start_soc_pct",
    "start_from_meter",
    "start_band_pct",
)
"""The keys of [pack] that the count asks for."""

GAIN_KEYS = ("scale", "offset", "flip")


@dataclass(frozen=True, slots=True)
class Difference:
    """What was corrected.

    Attributes:
        told: Every difference that counts, in words.
        gains: Of the fed channels whose scale, offset or sign changed.
        untold: Those differences of which stored seconds cannot tell the effect.
    """

    told: tuple[str, ...]
    gains: Mapping[str, Gain]
    untold: tuple[str, ...]


def difference(before: Settings, after: Settings) -> Difference:
    """Return what differs between two van files of one van."""
    told = [
        *_changes("[pack]", before.pack, after.pack, COUNT_KEYS),
        *_changes("[wheels]", before.wheels, after.wheels, WheelSection.model_fields),
    ]
    untold = list(_other_sources(before, after))
    gains: dict[str, Gain] = {}
    olds, news = _by_rank(before.feeds), _by_rank(after.feeds)
    for key in sorted({*olds, *news}):
        old, new, (channel, rank) = olds.get(key), news.get(key), key
        place = f"[[feed]] {channel}" + (f" of rank {rank}" if rank > 1 else "")
        if old is None or new is None:
            untold.append(f"{place} {'new' if old is None else 'left out'}")
            continue
        others = set(FeedSection.model_fields) - set(GAIN_KEYS)
        untold += _changes(place, old, new, sorted(others))
        gained = list(_changes(place, old, new, GAIN_KEYS))
        is_alone = len([each for each, _ in news if each == channel]) == 1
        if gained and is_alone and new.codes is None:
            told += gained
            gains[channel] = _gain(old, new)
        else:
            untold += gained
    return Difference((*told, *untold), gains, tuple(untold))


def _other_sources(before: Settings, after: Settings) -> Iterator[str]:
    """Yield the differences in where readings come from."""
    pairs = (
        ("[[bus]]", [(b.name, b.interface) for b in before.buses],
         [(b.name, b.interface) for b in after.buses]),
        ("[[port]]", [(p.name, p.speaks) for p in before.ports],
         [(p.name, p.speaks) for p in after.ports]),
        ("[[line]]", before.lines, after.lines),
        ("[[device]]", [(d.name, d.port, d.registers) for d in before.devices],
         [(d.name, d.port, d.registers) for d in after.devices]),
        ("[[register]]", before.registers, after.registers),
        ("[[description]]", before.descriptions, after.descriptions),
        ("[[table]]", before.tables, after.tables),
        ("[[string]] awning", {s.awning for s in before.strings},
         {s.awning for s in after.strings}),
    )  # fmt: skip
    for place, old, new in pairs:
        if old != new:
            yield f"{place} changed"


def _changes(
    place: str, old: Section | None, new: Section | None, keys: Collection[str]
) -> Iterator[str]:
    for key in keys:
        was, now = getattr(old, key, None), getattr(new, key, None)
        if was != now:
            yield f"{place} {key} {_shown(now)}, was {_shown(was)}"


def _shown(value: object) -> str:
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _by_rank(feeds: Sequence[FeedSection]) -> dict[tuple[str, int], FeedSection]:
    return {(feed.channel, feed.rank): feed for feed in feeds}


def _gain(old: FeedSection, new: FeedSection) -> Gain:
    """Return the new readings of a box as a function of its old ones."""
    (old_scale, old_offset), (new_scale, new_offset) = gain(old), gain(new)
    factor = new_scale / old_scale
    return Gain(factor, new_offset - factor * old_offset)
