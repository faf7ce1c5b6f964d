"""The one door: every request comes through here before anything else sees it.

Denied unless allowed. In this order: the name we are called by, odd paths, the size of
what is sent, where a change comes from, who asks, and whether the van moves. Puts the
security headers on whatever leaves, refusals and faults included.

Plain ASGI, so that a stream passes through it at the cost of one call a message.
"""

from dataclasses import dataclass
from functools import partial

from fastapi.responses import RedirectResponse
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.envelope import (
    LONGEST_BODY_BYTES,
    limited,
    said_length,
    with_headers,
)
from dashboard.guests import Guests, cookies, is_here, is_loopback
from dashboard.newest import Newest
from dashboard.refusals import refusal, wants_page
from dashboard.site import Site
from logger.errors import AmpledgerError, Fault

LOCK_AGE_S = 10.0
"""A snapshot older than this does not say whether the van moves."""

PASSENGER = "passenger"
"""Name of the cookie of a person who said that they are not driving."""

STANDING = "ampledger.standing"
"""Where the answer to "who asks" lies in a request's scope."""

ASK_AGAIN = "ampledger.ask_again"
"""Where the way to ask later lies: an answer that lasts outlives a phone's right."""

OPEN_PATHS = ("/pair", "/api/hello")
OPEN_FOLDER = "/static/"
"""All that a stranger sees."""

WHILE_MOVING = ("/", "/drive", "/pair", "/passenger")

_READS = ("GET", "HEAD")


@dataclass(frozen=True, slots=True)
class Standing:
    """Who asks.

    Attributes:
        is_open: True for a browser on this very computer where that needs no pairing.
        is_paired: True for a paired phone.
    """

    is_open: bool
    is_paired: bool

    @property
    def is_stranger(self) -> bool:
        """True for everybody else."""
        return not (self.is_open or self.is_paired)


class Access:
    """The middleware, around the whole application.

    Args:
        app: What is behind the door.
        site: Names, and what is open and locked.
        newest: Whether the van moves.
        guests: Who is paired.
    """

    def __init__(
        self, app: ASGIApp, site: Site, newest: Newest, guests: Guests
    ) -> None:
        self._app, self._site, self._newest, self._guests = app, site, newest, guests
        self._names = frozenset(name.lower() for name in site.names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or turn it down."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        self._newest.look()
        guarded = with_headers(send)
        answer = await self._turned_away(scope, Headers(scope=scope))
        if answer is None:
            await self._app(scope, limited(receive), guarded)
        else:
            await answer(scope, receive, guarded)

    async def _turned_away(self, scope: Scope, headers: Headers) -> Response | None:
        refused = self._refused(scope, headers)
        if refused is not None:
            status, fault = refused
            return refusal(status, fault, scope["path"], headers.get("accept", ""))
        try:
            standing = await self._standing(scope, headers)
        except AmpledgerError as err:
            accept = headers.get("accept", "")
            return refusal(503, err.faults[0], scope["path"], accept)
        scope[STANDING] = standing
        scope[ASK_AGAIN] = partial(self._is_still_in, scope, headers)
        path = scope["path"]
        if standing.is_stranger and not _is_open_path(path):
            return _to_pairing(path, headers)
        if self._is_locked(scope, headers):
            return RedirectResponse("/drive", 303)
        return None

    def _refused(self, scope: Scope, headers: Headers) -> tuple[int, Fault] | None:
        if not self._is_our_name(scope, headers):
            fix = "Use the address that the program printed, or start it with --name."
            return 421, Fault("the header Host", "a name that is not this van's", fix)
        if _is_odd(scope["path"]):
            return 404, Fault("the address", "an odd path", "Follow a link of a page.")
        if said_length(headers) > LONGEST_BODY_BYTES:
            return 413, Fault("the body", "more than 1 MB", "Send less than 1 MB.")
        if scope["method"] not in _READS and not _is_own_origin(headers):
            fix = "Send it from a page of this dashboard, or name it as Origin."
            return 403, Fault("the header Origin", "another place, or none", fix)
        return None

    def _is_our_name(self, scope: Scope, headers: Headers) -> bool:
        hosts = headers.getlist("host")
        name = _without_port(hosts[0]) if len(hosts) == 1 else ""
        if name in self._names or name == "localhost" or is_loopback(name):
            return bool(name)
        # The address at which this very connection came in is ours, whatever network
        # came up since the start. A name that an attacker's server made point to it
        # does not pass.
        server = scope.get("server")
        return server is not None and bool(name) and _is_address(name, server[0])

    async def _standing(self, scope: Scope, headers: Headers) -> Standing:
        is_open = self._site.is_open_here and is_here(scope, headers)
        return Standing(is_open, await self._guests.is_paired(headers))

    async def _is_still_in(self, scope: Scope, headers: Headers) -> bool:
        try:
            return not (await self._standing(scope, headers)).is_stranger
        except AmpledgerError:
            return False  # whoever asks anew is told why

    def _is_locked(self, scope: Scope, headers: Headers) -> bool:
        snapshot = self._newest.snapshot
        if not self._site.locks_while_moving or snapshot is None:
            return False
        is_moving = snapshot.is_moving and self._newest.age_s() < LOCK_AGE_S
        if not is_moving or not _is_page(scope, headers):
            return False
        return cookies(headers).get(PASSENGER) != snapshot.standing


def _is_open_path(path: str) -> bool:
    return path in OPEN_PATHS or path.startswith(OPEN_FOLDER)


def _is_page(scope: Scope, headers: Headers) -> bool:
    path = scope["path"]
    if scope["method"] not in _READS or path in WHILE_MOVING:
        return False
    if path.startswith(("/api/", OPEN_FOLDER)):
        return False
    is_file = "." in path.rsplit("/", 1)[-1]
    return not is_file or wants_page(path, headers.get("accept", ""))


def _to_pairing(path: str, headers: Headers) -> Response:
    accept = headers.get("accept", "")
    if wants_page(path, accept):
        return RedirectResponse("/pair", 303)
    fix = "Open /pair in a browser and type the code that `ampledger pair` shows."
    return refusal(401, Fault("this browser", "no pairing", fix), path, accept)


def _without_port(host: str) -> str:
    """Return the name of a Host header in lower case; empty where it is malformed."""
    host = host.strip().lower()
    if host.startswith("["):
        name, end, port = host[1:].partition("]")
        is_sound = bool(end) and (not port or (port[0] == ":" and port[1:].isdigit()))
    else:
        name, colon, port = host.partition(":")
        is_sound = not colon or port.isdigit()
    return name.removesuffix(".") if is_sound else ""


def _is_address(name: str, server: str) -> bool:
    is_numeric = ":" in server or server.replace(".", "").isdigit()
    return is_numeric and name == server.removeprefix("::ffff:").lower()


def _is_odd(path: str) -> bool:
    parts = path.split("/")
    return ".." in parts or "\\" in path or "\0" in path or path.startswith("//")


def _is_own_origin(headers: Headers) -> bool:
    """Return whether Origin (or, without one, Referer) is the very place called."""
    origins = headers.getlist("origin") or headers.getlist("referer")
    if len(origins) != 1:
        return False
    scheme, mark, rest = origins[0].partition("://")
    place = rest.partition("/")[0].lower()
    is_web = bool(mark) and scheme.lower() in ("http", "https")
    return is_web and place == headers.get("host", "").strip().lower()
