"""The page on which referrals are followed through."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dictate.desk.asked import Fields, NotAsked, Routes, day_of, fields_of, lines_of, revision_of
from dictate.desk.records import Records
from dictate.desk.rendering import Rendering
from dictate.store import REFERRAL_STATES, Referral, Store
from dictate.store.model import in_words

LISTED = 200
"""Referrals that the page shows."""


class ReferralPages:
    """Answers to requests about referrals."""

    def __init__(self, records: Records, rendering: Rendering) -> None:
        self.records = records
        self.rendering = rendering

    def routes(self) -> Routes:
        """What this answers."""
        return [
            ("GET", "/referrals", self.index),
            ("POST", "/referrals/{id}/set", self.set),
            ("POST", "/referrals/{id}/reply", self.reply),
        ]

    async def index(self, request: Request) -> Response:
        """All referrals, those overdue first."""
        closed = bool(request.query_params.get("closed"))
        return await run_in_threadpool(lambda: self.rendering.page("referrals.html", **self._shown(closed)))

    def _shown(self, closed: bool) -> dict[str, Any]:
        store, today = self.records.store, today_here()
        found = store.referrals(closed=closed)[:LISTED]
        return {
            "found": [(one, store.referral_story(one.id)) for one in found],
            "overdue": sum(one.overdue(today) > 0 for one in found),
            "closed": closed,
            "today": today,
            "states": [(state, in_words(state)) for state in REFERRAL_STATES],
            "urgencies": self.records.rules.plan.urgencies,
        }

    async def set(self, request: Request) -> Response:
        """A state, a day, an appointment or another due day."""

        def work(store: Store, referral: str, fields: Fields) -> Referral:
            told = fields.get("state", "")
            state = next((one for one in REFERRAL_STATES if one == told), None)
            if told and state is None:
                raise NotAsked("that is no state of a referral: nothing was changed; load the page again")
            return store.set_referral(
                referral,
                self.records.operator,
                state=state,
                day=day_of(fields, "day"),
                appointment=day_of(fields, "appointment"),
                due=day_of(fields, "due"),
                revision=revision_of(fields),
            )

        return await self._changed(request, work)

    async def reply(self, request: Request) -> Response:
        """A reply, pasted."""

        def work(store: Store, referral: str, fields: Fields) -> Referral:
            text = lines_of(fields.get("text", ""))
            by, day = self.records.operator, day_of(fields, "day")
            return store.reply(referral, text, by, day=day, revision=revision_of(fields))

        return await self._changed(request, work)

    async def _changed(self, request: Request, work: Callable[[Store, str, Fields], Referral]) -> Response:
        fields, referral = await fields_of(request), request.path_params["id"]

        def change() -> Response:
            work(self.records.store, referral, fields)
            if not request.headers.get("hx-request"):
                return RedirectResponse("/referrals", 303)
            parts = {"followed": "parts/referrals.html", "notice": "parts/quiet.html"}
            return self.rendering.parts(parts, **self._shown(bool(fields.get("closed"))))

        return await run_in_threadpool(change)


def today_here() -> date:
    """The day by this computer's clock."""
    return datetime.now().astimezone().date()


def overdue(store: Store) -> int:
    """How many referrals are overdue."""
    today = today_here()
    return sum(one.overdue(today) > 0 for one in store.referrals(closed=False))
