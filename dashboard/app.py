"""Builds the application: pages, API and stream behind the one door."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import FastAPI
from starlette.types import ASGIApp

from dashboard import api, clock, live_api, long_api, pairing, series_api
from dashboard.access import Access
from dashboard.drive import message
from dashboard.guests import Guests
from dashboard.newest import Newest
from dashboard.pages import pages
from dashboard.refusals import install_refusals
from dashboard.site import Site
from dashboard.stream import Stream

DESCRIPTION = """What the van's logger saw, for programs. Everything is read-only but
the desk, where notes and readings are laid; nothing here can command the van.

Missing is null, never 0. SI units: the suffix of a name is its unit. Current and power
of the pack are positive into the pack. Every refusal has one shape:
`{"error": {"where", "saw", "fix"}}`.
"""


class Dashboard(FastAPI):
    """An application whose door stands before everything, faults included."""

    door: Callable[[ASGIApp], ASGIApp]

    def build_middleware_stack(self) -> ASGIApp:
        """Put the door outside of what the framework builds."""
        # As a middleware it would stand inside the framework's handling of errors,
        # whose answers then leave without the security headers.
        return self.door(super().build_middleware_stack())


def create_app(site: Site) -> FastAPI:
    """Return the dashboard of a site; nothing global, so there may be several.

    The newest snapshot lies on `app.state.newest`, the streams on `app.state.stream`.
    """
    newest = Newest(site.snapshots)
    stream, guests = Stream(newest, message), Guests(site.desk)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        stream.start()
        yield
        stream.close()

    app = Dashboard(
        title="Ampledger",
        version=version("ampledger"),
        description=DESCRIPTION,
        openapi_url="/api/openapi.json",
        docs_url=None,  # these two fetch their scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    app.door = lambda inner: Access(inner, site, newest, guests)
    app.state.site, app.state.newest, app.state.stream = site, newest, stream
    install_refusals(app)
    own = (live_api.router, api.router, series_api.router, long_api.router)
    for router in (*own, pairing.router, clock.router):
        app.include_router(router)
    app.include_router(pages(site))
    return app
