"""Edge: what pages stand on (style, script, chart bundle), read once and served packed.

Each file is served under a name that holds the hash of its content, so that a browser
keeps it for good and a new version is a new name. Nothing else in the folder is
reachable: the names are looked up, never joined to a path.
"""

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path, PurePosixPath

from fastapi import APIRouter, HTTPException, Request, Response

STATIC = Path(__file__).parent / "static"

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}
"""What is served, by ending; a file with another ending is not."""

KEPT = "public, max-age=31536000, immutable"

CHART_POLICY = (
    "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:;"
    " frame-ancestors 'none'; base-uri 'none'; form-action 'self'; object-src 'none'"
)
"""The content policy of a page that draws with the chart bundle, which sets styles and
data images of its own. Only a page that was asked for it has this one."""

LEAST_PACKED_BYTES = 512
"""Below this, packing costs more than it saves."""


@dataclass(frozen=True, slots=True)
class Asset:
    """One file as it is served.

    Attributes:
        url: Where.
        media_type: What it is.
        plain: Its bytes; None for a file that is only kept packed.
        packed: The same in gzip.
    """

    url: str
    media_type: str
    plain: bytes | None
    packed: bytes


def _asset(path: Path) -> tuple[str, Asset]:
    raw = path.read_bytes()
    name = path.relative_to(STATIC).as_posix()
    is_packed = path.suffix == ".gz"
    name = name.removesuffix(".gz")
    digest = hashlib.sha256(raw).hexdigest()[:12]
    pure = PurePosixPath(name)
    url = f"/static/{pure.with_suffix('')}.{digest}{pure.suffix}"
    if is_packed:
        return name, Asset(url, TYPES[pure.suffix], None, raw)
    return name, Asset(url, TYPES[pure.suffix], raw, gzip.compress(raw, 9, mtime=0))


@cache
def assets() -> Mapping[str, Asset]:
    """Return what is served, by its name in the folder without hash."""
    files = sorted(path for path in STATIC.rglob("*") if path.is_file())
    served = [each for each in files if _ending(each) in TYPES]
    return dict(_asset(each) for each in served)


def _ending(path: Path) -> str:
    return PurePosixPath(path.name.removesuffix(".gz")).suffix


def asset(name: str) -> str:
    """Return the address of a file, `/static/ui.0123456789ab.css` for `ui.css`."""
    return assets()[name].url


def takes_gzip(request: Request) -> bool:
    """Return whether the browser takes gzip, by its Accept-Encoding."""
    for offer in request.headers.get("accept-encoding", "").split(","):
        coding, _, weight = offer.partition(";")
        if coding.strip().lower() in ("gzip", "*"):
            return weight.replace(" ", "") not in ("q=0", "q=0.0", "q=0.00", "q=0.000")
    return False


def page(request: Request, html: str, status: int = 200) -> Response:
    """Return a page, packed where the browser takes it; never kept by anyone."""
    body = html.encode()
    headers = {"Cache-Control": "no-store", "Vary": "Accept-Encoding"}
    if len(body) >= LEAST_PACKED_BYTES and takes_gzip(request):
        body = gzip.compress(body, 6, mtime=0)
        headers["Content-Encoding"] = "gzip"
    return Response(body, status, headers, "text/html; charset=utf-8")


def static_routes() -> APIRouter:
    """Return the routes of everything under /static."""
    by_url = {each.url: each for each in assets().values()}
    router = APIRouter()

    @router.get("/static/{path:path}", include_in_schema=False)
    def static(request: Request, path: str) -> Response:
        found = by_url.get(f"/static/{path}")
        if found is None:
            raise HTTPException(404)
        headers = {
            "Cache-Control": KEPT,
            "Vary": "Accept-Encoding",
            "X-Content-Type-Options": "nosniff",
        }
        if takes_gzip(request):
            headers["Content-Encoding"] = "gzip"
            return Response(found.packed, 200, headers, found.media_type)
        plain = found.plain
        body = gzip.decompress(found.packed) if plain is None else plain
        return Response(body, 200, headers, found.media_type)

    return router
