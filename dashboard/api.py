"""The API of the log: trips and events, for programs.

Each route parses, reads once and answers. They are plain functions, not coroutines:
what reads a database runs in a thread beside the stream, not in its way.
"""

import itertools
from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from dashboard.models import EventOut, TripRow
from dashboard.refusals import ErrorShape, Refused
from dashboard.site import Site
from logger.core.tick import US_PER_S
from logger.core.trips import Trip
from logger.store.reader import Log, RunRow, iso_utc

LARGEST = 2**53
"""Larger whole numbers are not exact in a browser."""

Answers = dict[int | str, dict[str, Any]]

REFUSALS: Answers = {
    401: {"model": ErrorShape, "description": "This browser is not paired."},
    404: {"model": ErrorShape, "description": "There is no such thing."},
    422: {"model": ErrorShape, "description": "A parameter cannot be used."},
    503: {"model": ErrorShape, "description": "The file cannot be read now."},
}

router = APIRouter(prefix="/api", responses=REFUSALS)

RunNumber = Annotated[int, Path(ge=0, le=LARGEST, description="Number of the run.")]


def site_of(request: Request) -> Site:
    """Return the dashboard that a request belongs to."""
    site: Site = request.app.state.site
    return site


def _no(what: str, saw: str) -> Refused:
    return Refused(404, where=what, saw=saw, fix="See /api/trips for what there is.")


def _runs(log: Log) -> list[RunRow]:
    """Return the runs that count, newest first; one without a date is a new one."""
    return [run for run in reversed(log.runs()) if not run.is_stopped_replay]


@router.get("/trips", summary="Trips, newest first")
def trips(
    request: Request,
    response: Response,
    limit: Annotated[int, Query(ge=1, le=500, description="At most so many.")] = 50,
    before: Annotated[
        str | None,
        Query(
            pattern=r"^[0-9]{1,15}/[0-9]{1,15}$",
            description="Only those older than this trip, `run/start_us`.",
        ),
    ] = None,
) -> list[TripRow]:
    """Return finished trips, newest first.

    Where there are older ones, the header `Link` names the address of the next page.
    """
    with Log(site_of(request).log_path) as log:
        found = list(itertools.islice(_older(log, before), limit + 1))
    if len(found) > limit:
        last = found[limit - 1]
        address = f"/api/trips?limit={limit}&before={last.run}/{last.start_us}"
        response.headers["Link"] = f'<{address}>; rel="next"'
    return found[:limit]


def _older(log: Log, before: str | None) -> Iterator[TripRow]:
    runs, start_us = _runs(log), None
    if before is not None:
        number, start_us = (int(part) for part in before.split("/"))
        runs = list(itertools.dropwhile(lambda run: run.id != number, runs))
        if not runs:
            raise _no("query before", f"no run {number}")
    for run in runs:
        for trip in reversed(log.trips(run.id)):
            if start_us is None or trip.start_us < start_us:
                yield trip_row(run, trip)
        start_us = None


def trip_row(run: RunRow, trip: Trip) -> TripRow:
    """Return a trip as the API tells it."""
    return TripRow(
        run=run.id,
        start_us=trip.start_us,
        end_us=trip.end_us,
        start_utc=iso_utc(run.date_us(trip.start_us)),
        end_utc=iso_utc(run.date_us(trip.end_us)),
        is_date_sure=run.is_start_sure,
        duration_s=trip.duration_s,
        skipped_s=trip.skipped_us / US_PER_S,
        distance_m=trip.distance_m,
        energy_out_wh=trip.energy_out_wh,
        energy_in_wh=trip.energy_in_wh,
        energy_net_wh=trip.energy_net_wh,
        used_wh=trip.used_wh,
        wh_per_km=trip.wh_per_km,
        charge_net_ah=trip.charge_net_ah,
        sun_wh=trip.sun_wh,
        shore_wh=trip.shore_wh,
        soc_start_pct=trip.soc_start_pct,
        soc_end_pct=trip.soc_end_pct,
        soc_low_end_pct=trip.soc_low_end_pct,
        soc_high_end_pct=trip.soc_high_end_pct,
        soc_counted_change_pct=trip.soc_counted_change_pct,
    )


@router.get("/trips/{run}/{start_us}", summary="One trip")
def trip(
    request: Request,
    run: RunNumber,
    start_us: Annotated[
        int,
        Path(ge=0, le=LARGEST, description="Its first sample, us since the run's zero"),
    ],
) -> TripRow:
    """Return one finished trip."""
    with Log(site_of(request).log_path) as log:
        row = run_of(log, run)
        for each in log.trips(run):
            if each.start_us == start_us:
                return trip_row(row, each)
    raise _no("the trip", f"no trip of run {run} that begins at {start_us}")


def run_of(log: Log, number: int) -> RunRow:
    """Return a run of a log.

    Raises:
        Refused: There is no such run.
    """
    for run in log.runs():
        if run.id == number:
            return run
    raise _no("the run", f"no run {number}")


@router.get("/events", summary="What happened to the record, newest first")
def events(
    request: Request,
    run: Annotated[
        int | None, Query(ge=0, le=LARGEST, description="Only this run.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=1000, description="At most so many.")] = 100,
) -> list[EventOut]:
    """Return the events of one run or of all, newest first."""
    with Log(site_of(request).log_path) as log:
        runs = _runs(log) if run is None else [run_of(log, run)]
        found = (
            EventOut(
                run=each.id,
                t_us=event.t_us,
                t_utc=iso_utc(each.date_us(event.t_us)),
                is_date_sure=each.is_start_sure,
                kind=event.kind,
                text=event.text,
            )
            for each in runs
            for event in reversed(log.events(each.id))
        )
        return list(itertools.islice(found, limit))
