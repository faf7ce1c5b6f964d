"""Pairing a phone, and the word of a passenger: two plain forms.

They work without a script. A code is shown only where the program runs; whoever can
read it there may pair a phone here.
"""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from dashboard.access import PASSENGER
from dashboard.api import site_of
from dashboard.forms import fields
from dashboard.guests import COOKIE
from dashboard.newest import Newest
from dashboard.refusals import ErrorShape
from dashboard.templating import TEMPLATES
from logger.clock import uptime_us
from logger.desk import Desk

YEAR_S = 365 * 24 * 3600
"""How long a browser keeps its token; the list of phones ends it sooner."""

PASSENGER_S = 4 * 3600
"""A passenger's word lapses at the next stop, and by itself after this."""

LONGEST_LABEL = 40

WRONG = "That code is not good, or no longer. Ask for a new one at the van's computer."
NO_DESK = "This log is only read here: no phone can be paired."

router = APIRouter()


def _page(message: str, is_possible: bool, status: int) -> Response:
    template = TEMPLATES.get_template("pair.html")
    return HTMLResponse(
        template.render(message=message, is_possible=is_possible), status
    )


@router.get(
    "/pair",
    summary="The form that asks for a code",
    response_class=HTMLResponse,
    tags=["pages"],
)
async def pairing_form(request: Request) -> Response:
    """Return the one page that an unpaired browser sees."""
    if site_of(request).desk is None:
        return _page(NO_DESK, is_possible=False, status=200)
    return _page("", is_possible=True, status=200)


_FORM = {
    "requestBody": {
        "required": True,
        "content": {
            "application/x-www-form-urlencoded": {
                "schema": {
                    "type": "object",
                    "required": ["code"],
                    "properties": {
                        "code": {"type": "string", "description": "The 8 digits."},
                        "label": {"type": "string", "description": "Name it has here."},
                    },
                }
            }
        },
    }
}


@router.post(
    "/pair",
    summary="Pair this browser",
    status_code=303,
    response_class=RedirectResponse,
    responses={
        303: {"description": "Paired: the cookie `phone` is set; on to Drive."},
        403: {"description": "Wrong code or none is waited for: the form again."},
        503: {"model": ErrorShape, "description": "The desk cannot be written."},
    },
    openapi_extra=_FORM,
    tags=["pages"],
)
async def pair(request: Request) -> Response:
    """Take a code; five wrong ones close the window, and only for this code."""
    site = site_of(request)
    if site.desk is None:
        return _page(NO_DESK, is_possible=False, status=403)
    given = fields(await request.body())
    token = await run_in_threadpool(
        _paired, site.desk, given.get("code", ""), given.get("label", ""),
        site.clock.wall_us(),
    )  # fmt: skip
    if token is None:
        return _page(WRONG, is_possible=True, status=403)
    answer = RedirectResponse("/drive", 303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=YEAR_S,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


def _paired(desk: Desk, code: str, label: str, date_us: int) -> str | None:
    # People type the gap that makes eight digits readable.
    digits = "".join(sign for sign in code[:40] if sign not in " -\t")
    name = " ".join(label.split())[:LONGEST_LABEL] or "phone"
    return desk.pair(digits, uptime_us(), name, date_us)


@router.post(
    "/passenger",
    summary="Say that you are not driving",
    status_code=303,
    response_class=RedirectResponse,
    responses={303: {"description": "The other pages are open until the next stop."}},
    tags=["pages"],
)
async def passenger(request: Request) -> Response:
    """Set the cookie `passenger` to run and number of stops so far; on to the log."""
    newest: Newest = request.app.state.newest
    answer = RedirectResponse("/log", 303)
    if newest.snapshot is not None:
        answer.set_cookie(
            PASSENGER,
            newest.snapshot.standing,
            max_age=PASSENGER_S,
            httponly=True,
            samesite="strict",
        )
    return answer
