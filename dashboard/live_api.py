"""The API of this moment: who asks, the newest snapshot, the stream, the desk.

What is in memory is answered at once; what touches the desk runs in a thread. Nothing
here can command the van: an entry on the desk is a note or a reading, never an order.
"""

from importlib.metadata import version
from typing import Any

import orjson
from fastapi import APIRouter, Request, Response
from starlette.types import Receive, Scope, Send

from dashboard.access import ASK_AGAIN, STANDING, Standing
from dashboard.api import REFUSALS, site_of
from dashboard.models import Hello, NoteIn, OnDesk, ReadingIn
from dashboard.newest import AgedSnapshot, Newest, aged
from dashboard.refusals import Refused
from dashboard.stream import IsWelcome, Stream
from logger.desk import Desk
from logger.quantities import find_channel

router = APIRouter(prefix="/api", responses=REFUSALS)


class JsonBytes(Response):
    """JSON that was made elsewhere."""

    media_type = "application/json"


class EventStream(Response):
    """The stream, documented like any other answer and sent without a detour."""

    media_type = "text/event-stream"

    def __init__(self, stream: Stream, is_welcome: IsWelcome) -> None:
        super().__init__()
        self._stream, self._is_welcome = stream, is_welcome

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve the one who asked, until it leaves or must."""
        await self._stream.serve(scope, receive, send, self._is_welcome)


def stream_of(request: Request) -> Stream:
    """Return the stream of the application that a request belongs to."""
    stream: Stream = request.app.state.stream
    return stream


@router.get("/hello", summary="Who answers, and whether you are let in")
async def hello(request: Request) -> Hello:
    """Return what anybody may know, paired or not."""
    standing: Standing = request.scope[STANDING]
    return Hello(
        program="ampledger",
        version=version("ampledger"),
        is_demo=site_of(request).is_demo,
        is_open=standing.is_open,
        is_paired=standing.is_paired,
    )


_NOW: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "What Drive shows, as ready-made words and figures with their "
        "ages in s; the same message as on the stream. Without a logger it says so.",
        "content": {"application/json": {"schema": {"type": "object"}}},
    }
}


@router.get(
    "/now",
    summary="The newest message of the stream",
    response_class=JsonBytes,
    responses=_NOW,
)
async def now(request: Request) -> Response:
    """Return what the stream would send at this moment."""
    return JsonBytes(stream_of(request).message())


_STREAM: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Server-sent events: `retry: 1000`, then a message at once, at "
        "every change and at least once a second, each with its `id`.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    }
}


@router.get(
    "/stream",
    summary="What changes, as it changes",
    status_code=200,
    response_class=EventStream,
    responses=_STREAM,
)
async def stream(request: Request) -> Response:
    """Open the stream; 503 beyond 4 streams an address or 100 in all."""
    return EventStream(stream_of(request), request.scope[ASK_AGAIN])


@router.get(
    "/snapshot",
    summary="Every channel and source as it stands",
    response_class=JsonBytes,
    responses={200: {"model": AgedSnapshot}},
)
async def snapshot(request: Request) -> Response:
    """Return the newest snapshot, its ages and health those of now.

    A value that fell silent stays in it with its age; look at `health`. 503 where there
    is no logger.
    """
    newest: Newest = request.app.state.newest
    found = newest.snapshot
    if found is None:
        fix = "Start the logger, or name its snapshot with --live."
        raise Refused(503, where="the snapshot", saw="none", fix=fix)
    return JsonBytes(orjson.dumps(aged(found, newest.age_s())))


def _desk(request: Request) -> Desk:
    desk = site_of(request).desk
    if desk is None:
        fix = "Enter it on the van's own dashboard."
        raise Refused(403, where="the desk", saw="none: this log is only read", fix=fix)
    return desk


@router.post("/desk/note", status_code=201, summary="Keep some words with the record")
def note(request: Request, words: NoteIn) -> OnDesk:
    """Lay a note on the desk; the logger books it within a second or two."""
    made_us = site_of(request).clock.wall_us()
    return OnDesk(number=_desk(request).note(made_us, words.text))


@router.post("/desk/reading", status_code=201, summary="Tell the value of a channel")
def reading(request: Request, told: ReadingIn) -> OnDesk:
    """Lay a value that a person knows on the desk; the logger books it."""
    found = find_channel(told.channel)
    if found is None:
        fix = "Give a name of the list of channels in the manual."
        raise Refused(422, where="body channel", saw=repr(told.channel), fix=fix)
    quantity = found.quantity
    if not quantity.low <= told.value <= quantity.high:
        fix = f"Give {quantity.low:g} to {quantity.high:g} {quantity.unit.symbol}."
        raise Refused(422, where="body value", saw=f"{told.value:g}", fix=fix)
    made_us = site_of(request).clock.wall_us()
    return OnDesk(number=_desk(request).tell(made_us, told.channel, told.value))
