"""Templates -> answers: whole pages, parts of the page that is open, refusals in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import jinja2
from markupsafe import escape
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from dictate import __version__
from dictate.store import Overtaken, Signed, Stale, Unknown
from dictate.table import CAUTION

SIGNED = (
    "This record was signed by {who} in another window and does not change any more: this change is not saved."
    " The text is still in the page; an amendment can take it in."
)


class Rendering:
    """The templates, all text escaped."""

    def __init__(self, loader: jinja2.BaseLoader) -> None:
        self.templates = jinja2.Environment(
            loader=loader,
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=True,
        )
        self.templates.filters["when"] = when
        self.templates.filters["day"] = day
        self.templates.globals.update(caution=CAUTION, program=__version__)

    def page(self, name: str, status: int = 200, **shown: Any) -> Response:
        """A whole page."""
        return HTMLResponse(self.templates.get_template(name).render(**shown), status)

    def parts(self, names: Mapping[str, str], title: str = "", status: int = 200, **shown: Any) -> Response:
        """New contents for elements of the open page: element id -> template."""
        out = [f"<title>{escape(title)}</title>"] if title else []
        for target, name in names.items():
            body = self.templates.get_template(name).render(**shown)
            out.append(f'<hx-partial hx-target="#{target}" hx-swap="innerMorph">{body}</hx-partial>')
        return HTMLResponse("\n".join(out), status)

    def refusal(self, request: Request, status: int, sentence: str, error: Exception | None = None) -> Response:
        """A sentence in the open page, or a page with it. Never with words of a note."""
        stale = error.head if isinstance(error, Stale) else None
        over = isinstance(error, Signed | Unknown | Overtaken)  # no save from this page can work any more
        if stale and stale.state == "signed":
            sentence, stale, over = SIGNED.format(who=stale.signed_by), None, True
        shown: dict[str, Any] = {"sentence": sentence, "code": status, "stale": stale, "over": over}
        shown["what"] = "it" if isinstance(error, Overtaken) else "the record"
        if request.headers.get("hx-request"):
            return self.parts({"notice": "parts/notice.html"}, status=status, **shown)
        return self.page("refusal.html", status, **shown)


def day(told: date) -> str:
    """A day: "25 Nov 2026"."""
    return f"{told.day} {told:%b %Y}"


def when(moment: datetime | None) -> str:
    """A time of the user's own clock: "25 Nov 2026, 14:32"; of today the time alone."""
    if moment is None:
        return ""
    here = moment.astimezone()
    if here.date() == datetime.now().astimezone().date():
        return f"today {here:%H:%M}"
    return f"{here.day} {here:%b %Y, %H:%M}"
