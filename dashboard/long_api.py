"""The API of long stretches: channels by date, over all runs, as columns."""

import re
from typing import Annotated

from fastapi import APIRouter, Query, Request

from dashboard.api import REFUSALS, site_of
from dashboard.models import Channel, History
from dashboard.refusals import Refused
from dashboard.series_api import MOST_CHANNELS
from logger.core.tick import US_PER_S
from logger.quantities import find_channel
from logger.store.bucketing import Envelope
from logger.store.charts import MOST_POINTS, envelope
from logger.store.reader import Log

LATEST_S = 1e10
"""Year 2286: a date in milliseconds given by mistake is refused."""

router = APIRouter(prefix="/api", responses=REFUSALS)


@router.get("/history", summary="Channels by date, over all runs")
def history(
    request: Request,
    channels: Annotated[
        str,
        Query(
            max_length=800,
            description=f"Names with commas between, at most {MOST_CHANNELS}.",
        ),
    ],
    from_s: Annotated[
        float, Query(ge=0, le=LATEST_S, description="Start, s since the Unix epoch.")
    ],
    to_s: Annotated[
        float, Query(gt=0, le=LATEST_S, description="End, s since the Unix epoch.")
    ],
    points: Annotated[
        int, Query(ge=1, le=MOST_POINTS, description="At most so many buckets.")
    ] = 500,
) -> History:
    """Return lowest, mean and highest value a bucket, of all runs that have a date.

    Up to two hours come from seconds, longer stretches from minutes, and those whose
    buckets are longer than a quarter of an hour from quarters. A bucket in which
    nothing was heard is null: a gap.
    """
    names = [name for name in re.split(r"[,\s]+", channels) if name]
    from_us, to_us = round(from_s * US_PER_S), round(to_s * US_PER_S)
    if to_us <= from_us:
        fix = "Give an end after the start, s since the Unix epoch."
        raise Refused(422, where="query to_s", saw=f"{to_s:g}", fix=fix)
    with Log(site_of(request).log_path) as log:
        unknown = [name for name in names if name not in log.channels.values()]
        if unknown or not 1 <= len(names) <= MOST_CHANNELS:
            saw = f"{unknown[0]}, not in this log" if unknown else f"{len(names)} names"
            fix = f"Give 1 to {MOST_CHANNELS} channels of this log."
            raise Refused(422, where="query channels", saw=saw, fix=fix)
        found = {name: envelope(log, name, from_us, to_us, points) for name in names}
    any_one = found[names[0]]
    return History(
        step_s=any_one.step_us / US_PER_S,
        t_s=[
            (from_us + place * any_one.step_us) / US_PER_S
            for place in range(len(any_one.mean))
        ],
        channels={name: _channel(name, each) for name, each in found.items()},
    )


def _channel(name: str, found: Envelope) -> Channel:
    listed = find_channel(name)
    unit = "" if listed is None else listed.quantity.unit.symbol
    return Channel(
        unit=unit, low=list(found.low), mean=list(found.mean), high=list(found.high)
    )
