"""The desk as a web application."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Scope

from dictate.desk import pages
from dictate.desk.asked import Handler
from dictate.desk.file_pages import FilePages
from dictate.desk.letter_pages import LetterPages
from dictate.desk.live import Live
from dictate.desk.records import Records
from dictate.desk.referral_pages import ReferralPages
from dictate.desk.rendering import Rendering
from dictate.desk.security import Gate, Guard
from dictate.errors import DictateError
from dictate.lexicon import Lexicon
from dictate.store import Locked, NotSettled, Overtaken, Signed, Stale, StoreError, Unknown

STATIC = Path(__file__).with_name("static")
_LOG = logging.getLogger("dictate.desk")

NOTHING_HERE = "There is nothing at this address. The list of records has everything that was saved."
OUR_FAULT = (
    "The desk failed at this: the fault is ours. What was saved before is safe, and the text is still in the page."
    " Try again; if it stays, restart the desk and report it."
)
_STATUS: dict[type[StoreError], int] = {
    Unknown: 404,
    Stale: 409,
    Signed: 409,
    Overtaken: 409,
    NotSettled: 409,
    Locked: 503,
}


def make_app(store: Any, lexicon: Lexicon, gate: Gate, *, operator: str = "", folder: str | None = None) -> ASGIApp:
    """The desk over an open store. `operator` is the name that decisions are recorded under, `folder` the user's lexicon."""
    rendering = Rendering(jinja2.PackageLoader("dictate.desk", "templates"))
    live = Live(store, lexicon)
    records = Records(live, operator, folder)
    answering = (
        pages.Pages(records, rendering, gate),
        FilePages(records),
        ReferralPages(records, rendering),
        LetterPages(records, rendering),
    )

    def refuse(scope: Scope, status: int, sentence: str) -> ASGIApp:
        return rendering.refusal(Request(scope), status, sentence)

    def told(request: Request, error: Exception) -> Response:
        assert isinstance(error, DictateError)
        status = _STATUS.get(type(error), 507) if isinstance(error, StoreError) else 422
        return rendering.refusal(request, status, _sentence(error), error)

    def missing(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 404
        return rendering.refusal(request, status, NOTHING_HERE)

    def failed(request: Request, error: Exception) -> Response:
        _LOG.error("%s in %s", type(error).__name__, _place(error))  # the message itself may quote a note
        return rendering.refusal(request, 500, OUR_FAULT)

    routes = [
        Route(path, _plainly(handler, failed), methods=[method])
        for one in answering
        for method, path, handler in one.routes()
    ]
    return Starlette(
        routes=[*routes, Mount("/static", StaticFiles(directory=STATIC))],
        exception_handlers={DictateError: told, HTTPException: missing},
        middleware=[Middleware(Guard, gate=gate, refuse=refuse)],
    )


def _plainly(handler: Handler, failed: Any) -> Handler:
    """Around a handler: a fault of ours is told in plain words, and never by its message."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except (DictateError, HTTPException):
            raise
        except Exception as error:
            return failed(request, error)  # type: ignore[no-any-return]

    return answer


def _sentence(error: DictateError) -> str:
    text = str(error)
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?")) else f"{text}."


def _place(error: BaseException) -> str:
    """Where it went wrong: the last line of our own code."""
    trace = error.__traceback__
    place = "?"
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if "dictate" in Path(file).parts:
            place = f"{Path(file).name}:{trace.tb_lineno}"
        trace = trace.tb_next
    return place
