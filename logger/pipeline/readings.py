"""How every channel stands at one moment: value, age, beat, health, source.

Knows series, the watch over them and the count; no page. An answer is worked out when
it is asked for and changes nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.core.health import Health, Reading, health_of_age
from logger.core.soc import Band, Count
from logger.core.watch import Watch
from logger.pipeline.series import TOLD, Series
from logger.pipeline.spec import COUNTED

COUNT = "count"
"""The source of the state of charge that is counted here."""


@dataclass(frozen=True, slots=True)
class Standings:
    """What is known besides the series themselves."""

    watch: Watch
    band: Band | None
    count: Count


def readings(
    series: Mapping[str, Series], standings: Standings, now_us: int
) -> list[Reading]:
    """Return the readings of all channels, the counted ones last.

    Args:
        series: By channel name.
        standings: The watch and the count.
        now_us: The moment, microseconds since the run's zero.
    """
    found = [
        _reading(name, each, standings.watch, now_us) for name, each in series.items()
    ]
    current = series.get(COUNTED)
    if current is None or standings.band is None:
        return found
    return found + _counted(current, standings, standings.band, now_us)


def _reading(name: str, series: Series, watch: Watch, now_us: int) -> Reading:
    fold = series.fold
    since_us = 0 if fold.latest_us is None else fold.latest_us
    age_us = max(0, now_us - since_us)
    health, note = _health(name, series, watch, now_us)
    return Reading(
        channel=name,
        value=None if fold.latest_us is None else series.newest,
        mean=None if _is_missing(series, age_us) else series.mean,
        t_us=since_us,
        age_us=age_us,
        period_us=fold.period_us,
        health=health,
        source=series.source,
        note=note,
    )


def _is_missing(series: Series, age_us: int) -> bool:
    return health_of_age(age_us, series.fold.period_us) is Health.MISSING


def _health(name: str, series: Series, watch: Watch, now_us: int) -> tuple[Health, str]:
    heard_us, refused_us = series.fold.latest_us, series.refused_us
    is_refused = refused_us is not None and (heard_us is None or refused_us > heard_us)
    # A box that talked nonsense and then fell silent is silent.
    if is_refused and not _is_missing(series, now_us - (refused_us or 0)):
        return Health.IMPLAUSIBLE, series.refused
    if heard_us is None:
        return Health.MISSING, ""
    if series.source == TOLD:
        return Health.FRESH, ""  # a state holds until it is told otherwise
    by_age = health_of_age(now_us - heard_us, series.fold.period_us)
    if by_age is not Health.FRESH:
        return by_age, ""
    # What is worked out is no better than what it is worked out from.
    names = (name, *series.parts)
    if any(watch.is_frozen(each) for each in names):
        return Health.FROZEN, ""
    others = [other for each in names if (other := watch.disagrees_with(each))]
    return (Health.DISAGREEING, others[0]) if others else (by_age, "")


def _counted(
    current: Series, standings: Standings, band: Band, now_us: int
) -> list[Reading]:
    """Return the state of charge: as old as the newest current that was counted."""
    heard_us = current.fold.latest_us
    t_us = 0 if heard_us is None else heard_us
    age_us = max(0, now_us - t_us)
    values = {
        "pack.soc_pct": band.soc_pct,
        "pack.soc_low_pct": band.low_pct,
        "pack.soc_high_pct": band.high_pct,
        "pack.soc_counted_pct": standings.count.counted_pct,
    }
    by_age = health_of_age(age_us, current.fold.period_us)
    if heard_us is None:
        by_age = Health.MISSING
    other = standings.watch.disagrees_with("pack.soc_pct")
    if by_age is Health.FRESH and standings.watch.is_frozen(COUNTED):
        by_age = Health.FROZEN
    differs = by_age is Health.FRESH and other is not None
    return [
        Reading(
            channel=name,
            value=value,
            mean=None,
            t_us=t_us,
            age_us=age_us,
            period_us=current.fold.period_us,
            health=Health.DISAGREEING if differs else by_age,
            source=COUNT,
            note=other or "",
        )
        for name, value in values.items()
    ]
