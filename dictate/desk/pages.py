"""The desk's pages: a request in, a page or parts of the open page out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dictate import demo
from dictate.desk import acts, changes
from dictate.desk.asked import Fields, Routes, fields_of, go, lines_of, revision_of
from dictate.desk.live import Standing
from dictate.desk.records import STATES, Records, Search, as_signed
from dictate.desk.referral_pages import overdue
from dictate.desk.rendering import Rendering
from dictate.desk.security import Gate
from dictate.desk.taking import FORMS
from dictate.desk.view import decision_text, record_view
from dictate.desk.writing import CALLED
from dictate.files import decode
from dictate.settling import form
from dictate.sketches import stylesheet
from dictate.store import RecordHead, Stale, Unknown, Version

LISTED = 200
"""Records that a list shows; a search finds the others."""

_PARTS = {
    "state": "parts/state.html",
    "counts": "parts/counts.html",
    "marks": "parts/marks.html",
    "ask": "parts/ask.html",
    "sheet": "parts/sheet.html",
    "offers": "parts/offers.html",
    "sketches": "parts/sketches.html",
    "along": "parts/along.html",
    "notice": "parts/quiet.html",
}
_USED = (
    "This address works once, and it was used already. If a page of the desk is open in this browser, use that;"
    " otherwise stop the desk with Ctrl-C and start it again. What was saved is safe."
)


class Pages:
    """Answers to requests. All work on records is done in threads."""

    def __init__(self, records: Records, rendering: Rendering, gate: Gate) -> None:
        self.records = records
        self.rendering = rendering
        self.gate = gate

    def routes(self) -> Routes:
        """What this answers."""
        one = "/records/{id}"
        return [
            ("GET", "/open", self.let_in),
            ("GET", "/static/sketches.css", self.drawn),
            ("GET", "/", self.index),
            ("POST", "/records", self.begin),
            ("POST", "/records/search", self.search),
            ("GET", one, self.record),
            ("GET", f"{one}/form", self.form),
            ("GET", f"{one}/versions/{{number:int}}", self.version),
            ("POST", f"{one}/now", self.now),
            ("POST", f"{one}/note", self.note),
            ("POST", f"{one}/answer", self.answer),
            ("POST", f"{one}/row", self.row),
            ("POST", f"{one}/take", self.take),
            ("POST", f"{one}/undo", self.undo),
            ("POST", f"{one}/patient", self.patient),
            ("POST", f"{one}/sign", self.sign),
            ("POST", f"{one}/amend", self.amend),
        ]

    # ---- getting in -----------------------------------------------------------------------

    async def let_in(self, request: Request) -> Response:
        """The one-time address: a cookie, and on to the list."""
        if not self.gate.admit(request.query_params.get("secret", "")):
            if self.gate.knows(request.headers):
                return RedirectResponse("/", 303)
            return self.rendering.refusal(request, 403, _USED)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self.gate.cookie_name, self.gate.cookie, httponly=True, samesite="strict", path="/")
        return answer

    async def drawn(self, request: Request) -> Response:
        """The style of the sketches."""
        return Response(stylesheet(), media_type="text/css")

    # ---- the list -------------------------------------------------------------------------

    async def index(self, request: Request) -> Response:
        """The list of records, and ways to begin one."""
        return await run_in_threadpool(self._list, Search(), whole=True)

    def _list(self, search: Search, *, whole: bool) -> Response:
        fault = _no_day(search.since) or _no_day(search.until)
        heads = [] if fault else self.records.find(search, LISTED)
        shown: dict[str, Any] = {"heads": heads, "search": search, "most": LISTED, "fault": fault}
        if whole:
            return self.rendering.page(
                "index.html", states=STATES, demos=_demos(), overdue=overdue(self.records.store), **shown
            )
        return self.rendering.parts({"list": "parts/list.html"}, **shown)

    async def search(self, request: Request) -> Response:
        """The list narrowed; asked for by POST, so that no name stands in an address."""
        fields = await fields_of(request)
        search = Search(*(fields.get(k, "").strip() for k in ("text", "state", "since", "until")))
        return await run_in_threadpool(self._list, search, whole=not request.headers.get("hx-request"))

    async def begin(self, request: Request) -> Response:
        """A new record: empty, with a pasted text, a file, or a demo note."""
        async with request.form() as fields:
            text = str(fields.get("text", ""))
            file = fields.get("file")
            if isinstance(file, UploadFile) and file.filename:
                text = decode(await file.read(), "The file").text.removeprefix("\ufeff")
            elif fields.get("demo"):
                text = demo.note(str(fields["demo"])).text
        head = await run_in_threadpool(self.records.begin, lines_of(text))
        return go(request, f"/records/{head.id}")

    # ---- one record -----------------------------------------------------------------------

    async def record(self, request: Request) -> Response:
        """The page of a record."""
        return await run_in_threadpool(self._record, request.path_params["id"])

    def _record(self, record_id: str) -> Response:
        standing = self.records.standing(record_id)
        versions = self.records.versions(record_id)
        if standing.head.state == "signed":
            return self._signed(standing.head, versions[-1], versions)
        return self.rendering.page(
            "record.html",
            **self._shown(standing),
            versions=versions,
            initials=self.records.initials,
            demos=_demos(),
        )

    def _shown(self, standing: Standing) -> dict[str, Any]:
        head, lexicon = standing.head, self.records.lexicon
        view = record_view(standing.settled, standing.text, standing.questions, lexicon)
        last = standing.decisions[-1] if standing.decisions else None
        signed = self.records.versions(head.id)[-1:] if head.version > 1 else []
        differences = None
        if signed:
            old = as_signed(signed[0]).record
            differences = (
                changes.rows(old, standing.settled.record, lexicon),
                changes.words(signed[0].note, standing.text),
            )
        return {
            "head": head,
            "text": standing.text,
            "view": view,
            "waiting": standing.waiting,
            "undo": decision_text(last, lexicon) if last else "",
            "amends": signed[0] if signed else None,
            "differences": differences,
            "offers": self.records.offers(standing.settled.record),
            "advice_caution": self.records.rules.caution,
            "forms": FORMS,
            "letters": self.records.store.letters(head.id),
            "kinds": CALLED,
            "final": False,
        }

    def _signed(self, head: RecordHead, version: Version, versions: list[Version]) -> Response:
        settled = as_signed(version)
        current = head.state == "signed" and head.version == version.number
        view = record_view(settled, version.note, (), self.records.lexicon)
        before = next((one for one in versions if one.number == version.number - 1), None)
        differences = None
        if before is not None:
            differences = (
                changes.rows(as_signed(before).record, settled.record, self.records.lexicon),
                changes.words(before.note, version.note),
            )
        return self.rendering.page(
            "signed.html",
            head=head,
            version=version,
            versions=versions,
            view=view,
            amends=before,
            differences=differences,
            offers=self.records.offers(settled.record) if current else (),
            advice_caution=self.records.rules.caution,
            forms=FORMS if current else (),
            letters=self.records.store.letters(head.id) if current else (),
            kinds=CALLED,
            text=version.note,
            final=True,
        )

    async def version(self, request: Request) -> Response:
        """A version as it was signed."""

        def work(record_id: str, number: int) -> Response:
            head, versions = self.records.store.head(record_id), self.records.versions(record_id)
            for one in versions:
                if one.number == number:
                    return self._signed(head, one, versions)
            raise Unknown(f"record {record_id} has no signed version {number}; its page shows those it has")

        return await run_in_threadpool(work, request.path_params["id"], request.path_params["number"])

    async def form(self, request: Request) -> Response:
        """The form for a question's "something else", for changing an entry, or for a row by hand."""
        asked = request.query_params

        def work(record_id: str) -> Response:
            standing = self.records.standing(record_id)
            return self._form(standing, asked.get("question", ""), asked.get("entry", ""), asked.get("item", ""))

        return await run_in_threadpool(work, request.path_params["id"])

    def _form(self, standing: Standing, question: str, entry: str, item: str) -> Response:
        lexicon = self.records.lexicon
        filled: Fields = {}
        old = ""
        if question and not item:
            item = acts.question(standing, question).item
        if entry:
            one = acts.entry(standing, entry).entry
            item = item or one.item
            if item == one.item:
                value = " to ".join(f"{v:g}" for v in one.value) if isinstance(one.value, list) else one.value
                filled = {f"value.{one.side or 'none'}": "" if value is None else str(value)}
                filled |= {f"about.{key}": str(told) for key, told in one.context.items()}
            old = one.side or "none"
        groups: dict[str, list[tuple[str, str]]] = {}
        for key, known in lexicon.items.items():
            group = lexicon.item_group[key]
            groups.setdefault(lexicon.group_titles.get(group, group), []).append((key, known.title))
        return self.rendering.page(
            "parts/form.html",
            head=standing.head,
            question=question,
            entry=entry,
            form=form(item, lexicon) if item else None,
            groups=groups,
            filled=filled,
            old=old,
        )

    # ---- changes --------------------------------------------------------------------------

    async def now(self, request: Request) -> Response:
        """Whether the page is still up to date: nothing to say if so, else the same fault that a change would meet."""
        fields = await fields_of(request)
        head = await run_in_threadpool(self.records.store.head, request.path_params["id"])
        if head.revision != revision_of(fields):
            raise Stale(head)
        return Response(status_code=204)

    async def note(self, request: Request) -> Response:
        """The note as typed: saved and read."""
        return await self._changed(request, lambda i, f, r: self.records.write(i, lines_of(f.get("text", "")), r))

    async def answer(self, request: Request) -> Response:
        """A question answered: a choice by its key, one line of a gathered question, or rows typed in."""

        def work(record_id: str, fields: Fields, revision: int) -> Standing:
            standing = self._current(record_id, revision)
            name, key, by = fields.get("question", ""), fields.get("key", ""), self.records.operator
            line, _, of_line = fields.get("line-key", "").partition(" ")
            if key == "e":
                decision = acts.instead(standing, name, fields, self.records.lexicon, by)
            elif line:
                decision = acts.pick_line(standing, name, line, of_line, by)
            else:
                decision = acts.pick(standing, name, key, by)
            return self.records.decide(standing, [decision], revision)

        return await self._changed(request, work)

    async def row(self, request: Request) -> Response:
        """A row changed, added (no entry named) or taken out by hand."""

        def work(record_id: str, fields: Fields, revision: int) -> Standing:
            standing = self._current(record_id, revision)
            name, by = fields.get("entry", ""), self.records.operator
            if fields.get("act") == "remove":
                decisions = [acts.take_out(standing, name, by)]
            else:
                decisions = acts.by_hand(standing, name, fields, self.records.lexicon, by)
            return self.records.decide(standing, decisions, revision)

        return await self._changed(request, work)

    async def take(self, request: Request) -> Response:
        """Something offered, taken into the plan as the clinician's own."""

        def work(record_id: str, fields: Fields, revision: int) -> Standing:
            standing = self._current(record_id, revision)
            decision = self.records.taken(standing, fields.get("key", ""))
            return self.records.decide(standing, [decision], revision)

        return await self._changed(request, work)

    async def undo(self, request: Request) -> Response:
        """The last decision taken back, or the one named."""
        return await self._changed(request, lambda i, f, r: self.records.undo(i, r, f.get("decision", "")))

    async def patient(self, request: Request) -> Response:
        """Whose record it is."""
        keys = ("reference", "name", "birth_date")
        return await self._changed(
            request, lambda i, f, r: self.records.set_patient(i, {k: f[k] for k in keys if k in f}, r)
        )

    async def sign(self, request: Request) -> Response:
        """Signed; the page is then the signed one."""
        fields, record_id = await fields_of(request), request.path_params["id"]
        await run_in_threadpool(self.records.sign, record_id, fields.get("initials", ""), revision_of(fields))
        return go(request, f"/records/{record_id}")

    async def amend(self, request: Request) -> Response:
        """A signed record opened again as its next version."""
        record_id = request.path_params["id"]
        await run_in_threadpool(self.records.amend, record_id)
        return go(request, f"/records/{record_id}")

    def _current(self, record_id: str, revision: int) -> Standing:
        standing = self.records.standing(record_id)
        if standing.head.revision != revision:
            raise Stale(standing.head)
        return standing

    async def _changed(self, request: Request, work: Callable[[str, Fields, int], Standing]) -> Response:
        fields, record_id = await fields_of(request), request.path_params["id"]

        def change() -> Response:
            shown = self._shown(work(record_id, fields, revision_of(fields)))
            if not request.headers.get("hx-request"):
                return RedirectResponse(f"/records/{record_id}", 303)
            waiting = shown["waiting"]
            return self.rendering.parts(_PARTS, title=page_title(record_id, waiting), **shown)

        return await run_in_threadpool(change)


def page_title(record_id: str, waiting: int) -> str:
    """What the window is called; never a name."""
    return f"{waiting} to answer · {record_id} · dictate" if waiting else f"{record_id} · dictate"


def _no_day(text: str) -> str:
    try:
        if text:
            date.fromisoformat(text)
    except ValueError:
        return f"{text} is no day: give it as YYYY-MM-DD."
    return ""


def _demos() -> list[tuple[str, str]]:
    return [(name, name.replace("_", " ")) for name in demo.names()]
