"""Takes the date of a phone, where a person says that it is right.

Laid on the desk like any entry; the logger decides what it is worth.
"""

import asyncio

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from dashboard.api import site_of
from dashboard.forms import fields
from dashboard.newest import Newest
from dashboard.refusals import ErrorShape, Refused
from logger.clock import boot_id, uptime_us
from logger.core.satellites import is_plausible
from logger.desk import Desk

US_PER_MS = 1000

LOOKS = 15
LOOK_S = 0.2
"""For three seconds the answer waits for the logger, so that the page which follows
shows what came of it. The logger looks at the desk once a second."""

router = APIRouter()

_FORM = {
    "requestBody": {
        "required": True,
        "content": {
            "application/x-www-form-urlencoded": {
                "schema": {
                    "type": "object",
                    "required": ["date_ms"],
                    "properties": {
                        "date_ms": {
                            "type": "string",
                            "description": "The phone's date, ms since the Unix epoch.",
                        }
                    },
                }
            }
        },
    }
}


@router.post(
    "/clock",
    summary="Give the date, where nothing else confirms it",
    status_code=303,
    response_class=RedirectResponse,
    responses={
        303: {"description": "Taken; back to the Log."},
        403: {"model": ErrorShape, "description": "Nothing may be entered here."},
        422: {"model": ErrorShape, "description": "It is no date of this age."},
        503: {"model": ErrorShape, "description": "The desk cannot be written."},
    },
    openapi_extra=_FORM,
    tags=["pages"],
)
async def set_clock(request: Request) -> Response:
    """Lay the date on the desk, as the date at which this computer was started."""
    now_us = uptime_us()  # before anything else takes time
    site = site_of(request)
    if site.desk is None:
        fix = "Give the date on the van's own dashboard."
        raise Refused(403, where="the desk", saw="none: this log is only read", fix=fix)
    date_us = _date_us(fields(await request.body()).get("date_ms", ""))
    made_us = site.clock.wall_us()
    number = await run_in_threadpool(_lay, site.desk, made_us, now_us, date_us)
    await _booked(request.app.state.newest, number)
    return RedirectResponse("/log#last", 303)


def _lay(desk: Desk, made_us: int, now_us: int, date_us: int) -> int:
    return desk.clock(made_us, now_us, date_us, boot_id())


def _date_us(text: str) -> int:
    digits = text if text.isascii() and text.isdigit() and len(text) < 16 else "0"
    date_us = int(digits) * US_PER_MS
    if not is_plausible(date_us):
        fix = "Set the phone's own date right, then try again."
        raise Refused(422, where="the phone's date", saw=repr(text[:20]), fix=fix)
    return date_us


async def _booked(newest: Newest, number: int) -> None:
    for _ in range(LOOKS):
        newest.look()
        if newest.snapshot is None or newest.snapshot.desk_entry >= number:
            return
        await asyncio.sleep(LOOK_S)
