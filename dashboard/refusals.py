"""How the dashboard says no: one shape for every program, one plain page for people.

`{"error": {"where": ..., "saw": ..., "fix": ...}}`, whatever went wrong. Knows HTTP and
the errors of the logger; no route.
"""

import logging
import sqlite3
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from dashboard.templating import TEMPLATES
from logger.errors import AmpledgerError, Fault
from logger.store.packed import DamagedRowError

log = logging.getLogger(__name__)


class ErrorParts(BaseModel):
    """The three parts of every message: the place, what was found, what to do."""

    where: str = Field(description="The place: a route, a parameter or a file.")
    saw: str = Field(description="What was found there.")
    fix: str = Field(description="What to do about it.")


class ErrorShape(BaseModel):
    """The one shape of every refusal."""

    model_config = ConfigDict(json_schema_extra={"description": "Every refusal."})

    error: ErrorParts


class Refused(Exception):  # noqa: N818 - an answer, not a fault of the program
    """A request that is turned down, with the status and the words."""

    def __init__(self, status: int, *, where: str, saw: str, fix: str) -> None:
        super().__init__(status, where, saw, fix)
        self.status = status
        self.fault = Fault(where=where, saw=saw, fix=fix)


class RefusalJson(Response):
    """The one shape."""

    media_type = "application/json"

    def __init__(self, status: int, fault: Fault) -> None:
        parts = ErrorParts(where=fault.where, saw=fault.saw, fix=fault.fix)
        super().__init__(ErrorShape(error=parts).model_dump_json(), status)


def wants_page(path: str, accept: str) -> bool:
    """Return whether a person is waiting for a page, not a program for an answer."""
    return "text/html" in accept and not path.startswith("/api/")


def refusal(status: int, fault: Fault, path: str, accept: str) -> Response:
    """Return a refusal in the form that its reader can use."""
    if not wants_page(path, accept):
        return RefusalJson(status, fault)
    title = "No such page" if status == 404 else HTTPStatus(status).phrase
    template = TEMPLATES.get_template("refusal.html")
    return HTMLResponse(template.render(title=title, fault=fault), status)


def install_refusals(app: FastAPI) -> None:
    """Make every error of an application leave it in the one shape."""
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(AmpledgerError, _not_served)
    app.add_exception_handler(sqlite3.Error, _damaged)
    app.add_exception_handler(DamagedRowError, _damaged)
    app.add_exception_handler(Exception, _unexpected)


def _answer(request: Request, status: int, fault: Fault) -> Response:
    accept = request.headers.get("accept", "")
    return refusal(status, fault, request.url.path, accept)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    return _answer(request, error.status, error.fault)


_FIXES = {
    404: "See /api/openapi.json for what there is.",
    405: "See /api/openapi.json for how it is called.",
    413: "Send less than 1 MB.",
}


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    status, path = error.status_code, request.url.path
    fix = _FIXES.get(status, "Mend the request.")
    if status == 404 and wants_page(path, request.headers.get("accept", "")):
        fix = "Follow a link of a page."
    fault = Fault(
        where=f"{request.method} {path}",
        saw="nothing" if status == 404 else error.detail.lower(),
        fix=fix,
    )
    response = _answer(request, status, fault)
    response.headers.update(error.headers or {})
    return response


def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first, *others = error.errors()
    more = f" ({len(others)} more)" if others else ""
    fault = Fault(
        where=" ".join(str(part) for part in first["loc"]) + more,
        saw=_short(first.get("input")),
        fix=f"{str(first['msg']).rstrip('.')}.",
    )
    return _answer(request, 422, fault)


def _short(value: object) -> str:
    text = "nothing" if value is None or value == {} else repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _not_served(request: Request, error: Exception) -> Response:
    assert isinstance(error, AmpledgerError)
    return _answer(request, 503, error.faults[0])


def _damaged(request: Request, error: Exception) -> Response:
    log.error("%s %s: %s", request.method, request.url.path, error)
    fix = "The log or the desk is damaged or in use; keep it, and work on a copy."
    return _answer(request, 503, Fault("the log", f'the answer "{error}"', fix))


def _unexpected(request: Request, error: Exception) -> Response:
    # The words of the error stay in the journal: they are for its readers alone.
    del error
    fix = "Tell whoever looks after the program; the journal has the details."
    where = f"{request.method} {request.url.path}"
    return _answer(request, 500, Fault(where, "an error of the program", fix))
