"""The pages on which letters are written, and those of final letters."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from dictate.desk.asked import Fields, NotAsked, Routes, day_of, fields_of, go, lines_of
from dictate.desk.file_pages import attachment
from dictate.desk.records import Records
from dictate.desk.rendering import Rendering
from dictate.desk.writing import CALLED, FORMS, Form, Writing, Written, file_of, letter_of
from dictate.letters.body import own_words
from dictate.letters.model import Letter
from dictate.letters.text import to_text
from dictate.store import LETTER_KINDS, KeptLetter, LetterKind

_PARTS = {
    "letter-state": "parts/letter_state.html",
    "letter-beside": "parts/letter_beside.html",
    "preview": "parts/letter.html",
    "notice": "parts/quiet.html",
}


class LetterPages:
    """Answers to requests about letters."""

    def __init__(self, records: Records, rendering: Rendering) -> None:
        self.records = records
        self.rendering = rendering
        self.writing = Writing(records)

    def routes(self) -> Routes:
        """What this answers."""
        one, kept = "/records/{id}/letter/{kind}", "/records/{id}/letters/{number:int}"
        return [
            ("GET", one, self.page),
            ("POST", f"{one}/text", self.save),
            ("POST", f"{one}/anew", self.anew),
            ("POST", f"{one}/final", self.finish),
            ("GET", f"{one}/file/{{form}}", self.draft_file),
            ("GET", kept, self.kept),
            ("GET", f"{kept}/file/{{form}}", self.kept_file),
            ("GET", f"{kept}/text", self.kept_text),
        ]

    # ---- a letter that is being written -------------------------------------------------------

    async def page(self, request: Request) -> Response:
        """The letter to be edited, or what is still open before there can be one."""
        record_id, kind = request.path_params["id"], _kind(request)
        return await run_in_threadpool(self._page, record_id, kind)

    def _page(self, record_id: str, kind: LetterKind) -> Response:
        waiting = self.writing.waiting(record_id)
        if waiting is not None:
            return self.rendering.page("letter_waits.html", head=waiting.head, standing=waiting, called=CALLED[kind])
        return self.rendering.page("letter.html", **self._shown(self.writing.now(record_id, kind)))

    def _shown(self, one: Written) -> dict[str, Any]:
        return {
            "head": one.head,
            "one": one,
            "letter": one.letter,
            "figures": _figures(one.letter),
            "kinds": CALLED,
            "forms": FORMS,
            "letters": self._letters(one.head.id),
            "final": False,
        }

    async def save(self, request: Request) -> Response:
        """The letter as it is typed: kept, and shown as it will look."""
        fields, record_id, kind = await self._fields(request), request.path_params["id"], _kind(request)

        def work() -> Response:
            one = self.writing.save(record_id, kind, fields)
            if not request.headers.get("hx-request"):
                return RedirectResponse(_place(record_id, kind), 303)
            return self.rendering.parts(_PARTS, **self._shown(one))

        return await run_in_threadpool(work)

    async def anew(self, request: Request) -> Response:
        """The edits given up."""
        record_id, kind = request.path_params["id"], _kind(request)
        await run_in_threadpool(self.writing.anew, record_id, kind)
        return go(request, _place(record_id, kind))

    async def finish(self, request: Request) -> Response:
        """The letter made final; the page is then that of the final letter."""
        fields, record_id, kind = await self._fields(request), request.path_params["id"], _kind(request)
        due = day_of(fields, "due")
        kept = await run_in_threadpool(self.writing.finish, record_id, kind, fields, due)
        return go(request, f"/records/{record_id}/letters/{kept.number}")

    async def draft_file(self, request: Request) -> Response:
        """The letter as it is kept now, as a file."""
        record_id, kind, form = request.path_params["id"], _kind(request), _form(request)

        def work() -> Response:
            letter = self.writing.now(record_id, kind).letter
            return attachment(*file_of(letter, form, f"{record_id}-{kind}-draft"))

        return await run_in_threadpool(work)

    async def _fields(self, request: Request) -> Fields:
        fields = await fields_of(request)
        return fields | {key: lines_of(fields.get(key, "")) for key in ("to", "body")}

    # ---- a final letter -----------------------------------------------------------------------

    async def kept(self, request: Request) -> Response:
        """A final letter."""

        def work(record_id: str, number: int) -> Response:
            kept = self.writing.final(record_id, number)
            letter = letter_of(kept)
            return self.rendering.page(
                "letter_final.html",
                head=self.records.store.head(record_id),
                kept=kept,
                letter=letter,
                figures=_figures(letter),
                referral=self.writing.referral_of(kept),
                own=own_words(letter),
                called=CALLED[kept.kind],
                kinds=CALLED,
                forms=FORMS,
                letters=self._letters(record_id),
                final=True,
            )

        return await run_in_threadpool(work, request.path_params["id"], request.path_params["number"])

    async def kept_file(self, request: Request) -> Response:
        """A final letter as a file."""
        record_id, number, form = request.path_params["id"], request.path_params["number"], _form(request)

        def work() -> Response:
            kept = self.writing.final(record_id, number)
            return attachment(*file_of(letter_of(kept), form, f"{record_id}-{kept.kind}-{number}"))

        return await run_in_threadpool(work)

    async def kept_text(self, request: Request) -> Response:
        """A final letter as text, to be copied."""

        def work() -> str:
            kept = self.writing.final(request.path_params["id"], request.path_params["number"])
            return to_text(letter_of(kept))

        return PlainTextResponse(await run_in_threadpool(work))

    def _letters(self, record_id: str) -> list[KeptLetter]:
        return self.records.store.letters(record_id)


def _figures(letter: Letter) -> list[tuple[str, Markup]]:
    """The sketches, which the desk itself has drawn, as markup."""
    return [(one.title, Markup(one.svg)) for one in letter.figures]


def _place(record_id: str, kind: LetterKind) -> str:
    return f"/records/{record_id}/letter/{kind}"


def _kind(request: Request) -> LetterKind:
    found = next((one for one in LETTER_KINDS if one == request.path_params["kind"]), None)
    if found is None:
        raise NotAsked("there are referral letters and patient's reports, and no other letters")
    return found


def _form(request: Request) -> Form:
    found = next((one for one in FORMS if one == request.path_params["form"]), None)
    if found is None:
        raise NotAsked(f"a letter comes as {', '.join(FORMS)}, not like this")
    return found
