"""What of a record leaves the desk: files to keep, and text to paste."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from dictate.desk.asked import NotAsked, Routes
from dictate.desk.records import Records
from dictate.desk.taking import FORMS, as_text, exported


class FilePages:
    """Answers to requests for files."""

    def __init__(self, records: Records) -> None:
        self.records = records

    def routes(self) -> Routes:
        """What this answers."""
        return [
            ("GET", "/records/{id}/export/{form}", self.export),
            ("GET", "/records/{id}/text", self.text),
        ]

    async def export(self, request: Request) -> Response:
        """The record in one of the forms of other systems, as a file."""
        form = next((one for one in FORMS if one == request.path_params["form"]), None)
        if form is None:
            raise NotAsked(f"a record is exported as {', '.join(FORMS)}, not like this")
        data, media, name = await run_in_threadpool(exported, self.records, request.path_params["id"], form)
        return attachment(data, media, name)

    async def text(self, request: Request) -> Response:
        """The record as plain text."""
        return PlainTextResponse(await run_in_threadpool(as_text, self.records, request.path_params["id"]))


def attachment(data: bytes, media: str, name: str) -> Response:
    """A file that the browser saves; `name` is of letters, digits, dots and dashes."""
    return Response(data, media_type=media, headers={"Content-Disposition": f'attachment; filename="{name}"'})
