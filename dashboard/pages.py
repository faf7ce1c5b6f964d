"""The pages: Drive, Log, a trip, and what is asked on the way.

Each reads, asks one pure function for the words, and draws a template. Everything works
without a script.
"""

from dataclasses import dataclass
from datetime import date
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Path, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment

from dashboard.assets import CHART_POLICY, page, static_routes
from dashboard.buckets import grid
from dashboard.dating import clock_question
from dashboard.drive import charge_text, drive_view
from dashboard.history import one_trip, page_of_trips, start_of, units_of
from dashboard.logbook import Entry, TripRecord, entry_so_far, log_page
from dashboard.newest import Newest
from dashboard.series import read_columns
from dashboard.site import Site
from dashboard.strip import LINK_LOST_S, NO_LINK_TO_VAN, SOME_LATE
from dashboard.templating import TEMPLATES
from dashboard.trip_page import CHANNELS, POINTS, trip_view
from dashboard.wording import Units
from logger.core.tick import US_PER_S
from logger.live import Snapshot
from logger.store.reader import Log

UNDERSTOOD = "understood"
"""Name of the cookie of a browser whose reader has read the caution; it is forgotten
when the browser is closed."""

LARGEST = 2**62


@dataclass(frozen=True, slots=True)
class Pages:
    """What every page is drawn with.

    Args:
        site: Where things are read from.
        templates: The templates.
    """

    site: Site
    templates: Environment

    def draw(self, request: Request, template: str, **words: object) -> Response:
        """Return a page, drawn from a template."""
        found = self.templates.get_template(template)
        return page(request, found.render(is_demo=self.site.is_demo, **words))


def pages(site: Site) -> APIRouter:
    """Return the routes of all pages and of what they stand on."""
    drawn = Pages(site, TEMPLATES)
    router = APIRouter(tags=["pages"], default_response_class=HTMLResponse)
    _add_drive(router, drawn)
    _add_log(router, drawn)
    _add_trip(router, drawn)
    router.include_router(static_routes())
    return router


def _add_drive(router: APIRouter, pages: Pages) -> None:
    @router.get("/", include_in_schema=False)
    def root() -> Response:
        return RedirectResponse("/drive", 307)

    @router.get(
        "/drive", summary="Drive: the charge, the power, and whether all is live"
    )
    def drive(request: Request) -> Response:
        """Return the page that a driver sees; it needs no script to be read."""
        newest: Newest = request.app.state.newest
        snapshot = newest.snapshot
        locks = pages.site.locks_while_moving and not _is_passenger(request, snapshot)
        view = drive_view(snapshot, newest.age_s())
        return pages.draw(
            request,
            "drive.html",
            view=view,
            asks_mount=UNDERSTOOD not in request.cookies,
            locks=locks,
            is_locked=locks and view.is_moving is True,
            some_late=SOME_LATE,
            no_link=NO_LINK_TO_VAN,
        )

    @router.post("/understood", status_code=303, summary="The caution has been read")
    def understood() -> Response:
        """Put the caution away until the browser is closed; back to Drive."""
        answer = RedirectResponse("/drive", 303)
        answer.set_cookie(UNDERSTOOD, "1", httponly=True, samesite="strict")
        return answer

    @router.get("/passenger", summary="Ask once more whether you are not driving")
    def passenger(request: Request) -> Response:
        """Return the question of which the answer opens the other pages."""
        return pages.draw(request, "passenger.html")


def _is_passenger(request: Request, snapshot: Snapshot | None) -> bool:
    """Return whether the browser's word of a passenger still holds."""
    said = request.cookies.get("passenger")
    return snapshot is not None and said == snapshot.standing


def _add_log(router: APIRouter, pages: Pages) -> None:
    @router.get("/log", summary="Log: the trips by day, with their sums")
    def log(
        request: Request,
        before: Annotated[
            date | None, Query(description="Show the days before this one.")
        ] = None,
    ) -> Response:
        """Return two weeks of trips; the newest without `before`."""
        newest: Newest = request.app.state.newest
        age_s, path = newest.age_s(), pages.site.log_path
        snapshot = newest.snapshot if age_s <= LINK_LOST_S else None
        store = charge_text(drive_view(snapshot, age_s).charge)
        if path.exists():
            with Log(path) as opened:
                units = units_of(opened, newest.snapshot)
                records = [
                    each
                    for each in page_of_trips(opened, units, before)
                    if not _is_under_way(each, snapshot)
                ]
                so_far = _so_far(opened, snapshot, units)
        else:
            units, records, so_far = units_of(None, newest.snapshot), [], None
        shown = log_page(records, units, before, so_far, store)
        question = clock_question(snapshot, units, has_desk=pages.site.desk is not None)
        return pages.draw(
            request,
            "log.html",
            log=shown,
            units=units,
            clock=question,
            notices=notices(snapshot),
        )


def notices(snapshot: Snapshot | None) -> list[str]:
    """Return what a person has to know of the log itself, in words."""
    if snapshot is None:
        return []
    found = [snapshot.notice] if snapshot.notice else []
    if snapshot.not_stored:
        found.insert(0, f"Nothing is being stored: {snapshot.not_stored}.")
    return found


def _is_under_way(record: TripRecord, snapshot: Snapshot | None) -> bool:
    """Return whether a stored trip goes on: it is then shown as it stands now."""
    if snapshot is None or snapshot.trip is None:
        return False
    is_same_run = record.run.id == snapshot.run
    return is_same_run and record.trip.start_us == snapshot.trip.start_us


def _so_far(log: Log, snapshot: Snapshot | None, units: Units) -> Entry | None:
    if snapshot is None or snapshot.trip is None:
        return None
    start_us = start_of(log, snapshot.run, snapshot.trip.start_us)
    is_sure = snapshot.is_clock_sure
    return entry_so_far(snapshot.trip, start_us, units, is_date_sure=is_sure)


def _add_trip(router: APIRouter, pages: Pages) -> None:
    @router.get("/log/{run}/{start_us}", summary="One trip: its account and its panels")
    def trip(
        request: Request,
        run: Annotated[int, Path(description="Number of the run.")],
        start_us: Annotated[
            int, Path(description="Its start, microseconds since the run's zero.")
        ],
        read: Annotated[
            bool, Query(description="Add the chart that values are read from.")
        ] = False,
    ) -> Response:
        """Return a trip; `read=1` adds the chart that values can be read from."""
        path = pages.site.log_path
        if not path.exists() or not (0 <= run <= LARGEST and 0 <= start_us <= LARGEST):
            raise HTTPException(404)
        with Log(path) as opened:
            record = one_trip(opened, run, start_us)
            if record is None:
                raise HTTPException(404)
            units = units_of(opened, None, run)
            first_s = record.trip.start_us / US_PER_S
            last_s = max(record.trip.end_us / US_PER_S, first_s + 1.0)
            over = grid(first_s, last_s, POINTS)
            columns = read_columns(opened, run, CHANNELS, over)
        names = quote(",".join(columns), safe=",")
        source = f"/api/series?run={run}&channels={names}"
        source += f"&from_s={first_s:.6f}&to_s={last_s:.6f}"
        answer = pages.draw(
            request,
            "trip.html",
            trip=trip_view(record, units, columns, over),
            units=units,
            is_reading=read and bool(columns),
            source=source,
            zero_us=record.run.start_us,
        )
        if read:
            answer.headers["Content-Security-Policy"] = CHART_POLICY
        return answer
