"""Which requests the desk answers at all, and what every answer carries.

The desk listens on this computer only, but any page in the browser can send requests to it. A request
counts only if it names this address as its host (no DNS rebinding), comes from the desk's own pages (no
cross-site writes), and brings the cookie that the one-time opening address gave.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY = 1_000_000
"""Bytes of a request; more is read away up to DRAINED and refused in words."""
DRAINED = 16_000_000
OPENING = "/open"
_NO_COOKIE = (OPENING, "/static/")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

NO_HOST = "This address does not belong to the desk. Open the address that `dictate desk` printed."
NO_COOKIE = (
    "This browser was not let in. Open the address that `dictate desk` printed when it started;"
    " if it was used already, stop the desk and start it again. What was saved is safe."
)
FOREIGN = "This request came from another page than the desk's own: nothing was changed."
TOO_LARGE = (
    "This is larger than a note can be (1 MB): nothing was changed, and the text is still in the page."
    " Shorten it or divide it."
)

Refuse = Callable[[Scope, int, str], ASGIApp]


@dataclass
class Gate:
    """The secrets of one run of the desk: the opening address works once, the cookie until the desk ends."""

    port: int
    opening: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _used: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def address(self) -> str:
        """Where the desk is."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def opening_address(self) -> str:
        """The address that lets one browser in, once."""
        return f"{self.address}{OPENING}?secret={self.opening}"

    @property
    def cookie_name(self) -> str:
        """Cookies do not tell ports apart, so the name does."""
        return f"dictate-desk-{self.port}"

    @property
    def hosts(self) -> tuple[str, ...]:
        """The names under which the desk may be asked."""
        return (f"127.0.0.1:{self.port}", f"localhost:{self.port}")

    def admit(self, secret: str) -> bool:
        """Whether the opening secret is right and was not used before; it is used up now."""
        with self._lock:
            right = hmac.compare_digest(secret.encode(), self.opening.encode()) and not self._used
            self._used = self._used or right
            return right

    def knows(self, headers: Headers) -> bool:
        """Whether a request brings the cookie."""
        try:
            found = SimpleCookie(headers.get("cookie", "")).get(self.cookie_name)
        except CookieError:
            return False
        return found is not None and hmac.compare_digest(found.value.encode(), self.cookie.encode())

    def own(self, method: str, headers: Headers) -> bool:
        """Whether a request comes from the desk's own pages, or is a plain opening of an address."""
        site = headers.get("sec-fetch-site", "")
        if method in ("GET", "HEAD"):
            return site in ("", "none", "same-origin")
        origin = headers.get("origin")
        if origin is None:
            return site == "same-origin"
        return origin == f"http://{headers.get('host', '')}" and site in ("", "same-origin")


class Guard:
    """The one middleware: host, origin, cookie, size, headers."""

    def __init__(self, app: ASGIApp, *, gate: Gate, refuse: Refuse) -> None:
        self.app = app
        self.gate = gate
        self.refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse in words."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return  # there are no web sockets
        answer = self.app
        headers = Headers(scope=scope)
        path = scope["path"]
        if headers.get("host", "") not in self.gate.hosts:
            answer = self.refuse(scope, 421, NO_HOST)
        elif not self.gate.own(scope["method"], headers) and path != OPENING:
            answer = self.refuse(scope, 403, FOREIGN)
        elif not path.startswith(_NO_COOKIE) and not self.gate.knows(headers):
            answer = self.refuse(scope, 403, NO_COOKIE)
        elif scope["method"] not in ("GET", "HEAD"):
            body = await _body(headers, receive)
            if body is None:
                answer = self.refuse(scope, 413, TOO_LARGE)
            else:
                receive = _again(body, receive)
        await answer(scope, receive, _with_headers(send, cached=path.startswith("/static/")))


async def _body(headers: Headers, receive: Receive) -> bytes | None:
    """The whole body, or None if it is too large. Some of what is too much is read, so that the answer arrives."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b""
        part = message.get("body", b"")
        size += len(part)
        if size <= MAX_BODY:
            parts.append(part)
        if not message.get("more_body") or size > DRAINED:
            return b"".join(parts) if size <= MAX_BODY else None


def _again(body: bytes, receive: Receive) -> Callable[[], Awaitable[Message]]:
    given = False

    async def first_the_body() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return first_the_body


def _with_headers(send: Send, *, cached: bool) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            headers["Cache-Control"] = "no-cache" if cached else "no-store"
        await send(message)

    return sending
