"""The API of the log: channels over a stretch of a run, as columns for a chart.

Seconds up to two hours, minutes beyond; never more points than a phone can show.
"""

import re
from typing import Annotated

from fastapi import APIRouter, Query, Request

from dashboard.api import LARGEST, REFUSALS, run_of, site_of
from dashboard.buckets import Column, Grid, grid
from dashboard.models import Channel, Series
from dashboard.refusals import Refused
from dashboard.series import read_columns
from logger.core.tick import US_PER_S
from logger.quantities import find_channel
from logger.store.reader import Log, iso_utc

MOST_POINTS = 1000
"""More than any phone has pixels across."""

MOST_CHANNELS = 8

router = APIRouter(prefix="/api", responses=REFUSALS)


@router.get("/series", summary="Channels over a stretch, thinned for a chart")
def series(
    request: Request,
    run: Annotated[int, Query(ge=0, le=LARGEST, description="Number of the run.")],
    channels: Annotated[
        str,
        Query(
            max_length=800,
            description=f"Names with commas between, at most {MOST_CHANNELS}.",
        ),
    ],
    from_s: Annotated[
        float,
        Query(ge=0, le=1e10, description="Start, s since the run's zero."),
    ] = 0.0,
    to_s: Annotated[
        float | None,
        Query(gt=0, le=1e10, description="End; without it the newest second."),
    ] = None,
    points: Annotated[
        int, Query(ge=1, le=MOST_POINTS, description="At most so many buckets.")
    ] = 500,
) -> Series:
    """Return lowest, mean and highest value a bucket.

    Up to two hours come from seconds, longer stretches from minutes. A bucket in which
    nothing was counted is null: a gap.
    """
    names = [name for name in re.split(r"[,\s]+", channels) if name]
    with Log(site_of(request).log_path) as log:
        row = run_of(log, run)
        unknown = [name for name in names if name not in log.channels.values()]
        if unknown or not 1 <= len(names) <= MOST_CHANNELS:
            saw = f"{unknown[0]}, not in this log" if unknown else f"{len(names)} names"
            fix = f"Give 1 to {MOST_CHANNELS} channels of this log."
            raise Refused(422, where="query channels", saw=saw, fix=fix)
        over = grid(from_s, _end_s(log, run, from_s, to_s), points)
        columns = read_columns(log, run, names, over)
    return Series(
        run=run,
        zero_utc=iso_utc(row.date_us(0)),
        is_date_sure=row.is_start_sure,
        step_s=over.step_s,
        run_s=over.starts_s,
        t_s=[row.stamp_s(start_s * US_PER_S) for start_s in over.starts_s],
        channels={name: _channel(name, columns.get(name), over) for name in names},
    )


def _end_s(log: Log, run: int, from_s: float, to_s: float | None) -> float:
    if to_s is None:
        newest = log.last_tick(run)
        return from_s + 1.0 if newest is None else max(from_s, newest.index) + 1.0
    if to_s <= from_s:
        fix = "Give an end after the start, s since the run's zero."
        raise Refused(422, where="query to_s", saw=f"{to_s:g}", fix=fix)
    return to_s


def _channel(name: str, column: Column | None, over: Grid) -> Channel:
    found = find_channel(name)
    unit = "" if found is None else found.quantity.unit.symbol
    if column is None:
        nothing: list[float | None] = [None] * over.count
        column = Column(nothing, nothing, nothing)
    return Channel(unit=unit, low=column.low, mean=column.mean, high=column.high)
