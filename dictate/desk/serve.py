"""Running the desk on this computer until Ctrl-C."""

from __future__ import annotations

import contextlib
import errno
import gc
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable
from types import FrameType

import uvicorn

from dictate import demo
from dictate.desk.app import make_app
from dictate.desk.security import Gate
from dictate.errors import DictateError
from dictate.lexicon import Lexicon
from dictate.pipeline import read
from dictate.store import Store

PORT = 8614
"""The port if none is asked for; if it is taken, any free one."""
_HERE = "127.0.0.1"
_GARBAGE = 50_000
"""Objects made before Python looks for garbage: a reading makes more than the usual 700, and none in circles."""


def listen(port: int | None) -> socket.socket:
    """A socket on this computer only. Raises DictateError if the port asked for is taken."""
    wanted = [port] if port is not None else [PORT, 0]
    for one in wanted:
        with contextlib.suppress(OSError):
            return _bound(one)
    raise DictateError(f"port {port} is taken or not allowed: choose another with --port, or leave it out")


def _bound(port: int) -> socket.socket:
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((_HERE, port))
        found.listen(64)
    except OSError as error:
        found.close()
        raise OSError(error.errno or errno.EADDRINUSE, "cannot listen") from None
    return found


class _Server(uvicorn.Server):
    """Tells when it answers, and ends quietly on Ctrl-C."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then tell."""
        await super().startup(sockets=sockets)
        self._ready()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """End; a signal is not raised again after that, so that the command ends with status 0."""
        super().handle_exit(sig, frame)
        if sig == signal.SIGINT:
            getattr(self, "_captured_signals", []).clear()


def serve(
    store: Store,
    lexicon: Lexicon,
    *,
    port: int | None,
    browser: bool,
    operator: str,
    folder: str | None = None,
    tell: Callable[[str], None],
) -> None:
    """Answer until Ctrl-C. `tell` gets the address, `folder` is the user's lexicon.

    A demo note is read meanwhile: the first reading of all takes ten times as long as any other.
    """
    gc.set_threshold(_GARBAGE, 20, 50)
    with listen(port) as place:
        gate = Gate(place.getsockname()[1])
        threading.Thread(target=read, args=(demo.note().text,), kwargs={"lexicon": lexicon}, daemon=True).start()

        def ready() -> None:
            tell(gate.opening_address)
            if browser:
                threading.Thread(target=webbrowser.open, args=(gate.opening_address,), daemon=True).start()

        config = uvicorn.Config(
            make_app(store, lexicon, gate, operator=operator, folder=folder),
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            lifespan="off",
            timeout_graceful_shutdown=2,
        )
        _Server(config, ready).run(sockets=[place])
