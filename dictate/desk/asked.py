"""What a request brings along, and the plainest answers."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from datetime import date

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dictate.errors import DictateError

Handler = Callable[[Request], Awaitable[Response]]
Routes = list[tuple[str, str, Handler]]
"""(method, path, handler)."""
Fields = dict[str, str]


class NotAsked(DictateError):  # noqa: N818
    """A request that lacks what it needs."""


async def fields_of(request: Request) -> Fields:
    """The fields of a form that are text."""
    async with request.form() as form:
        return {key: value for key, value in form.items() if isinstance(value, str)}


def revision_of(fields: Mapping[str, str]) -> int:
    """The revision that the page shows. Raises NotAsked."""
    told = fields.get("revision", "")
    if not told.isdecimal():
        raise NotAsked("the page did not say what it has changed: nothing was changed; load the page again")
    return int(told)


def day_of(fields: Mapping[str, str], name: str) -> date | None:
    """The day in a field, if one is there. Raises NotAsked."""
    told = fields.get(name, "").strip()
    try:
        return date.fromisoformat(told) if told else None
    except ValueError:
        raise NotAsked(f"{told[:20]} is no day: nothing was changed; give it as YYYY-MM-DD") from None


def lines_of(text: str) -> str:
    """Line ends as a text field has them."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def go(request: Request, path: str) -> Response:
    """On to another page."""
    if request.headers.get("hx-request"):
        return Response(headers={"HX-Redirect": path})
    return RedirectResponse(path, 303)
