"""A desk for tests: in this process for requests, as a program of its own for the browser."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from dictate import demo
from dictate.desk.app import make_app
from dictate.desk.live import Live
from dictate.desk.records import Records
from dictate.desk.security import Gate
from dictate.lexicon import Lexicon, load
from dictate.store import Store, open_store

PORT = 8614
HERE = f"http://127.0.0.1:{PORT}"
DEMO = demo.note("disc_asymmetry").text
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), "")
_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="session")
def lexicon() -> Lexicon:
    return load()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "records.db")) as opened:
        yield opened


@pytest.fixture
def records(store: Store, lexicon: Lexicon) -> Records:
    return Records(Live(store, lexicon), "tester")


@pytest.fixture
def gate() -> Gate:
    return Gate(PORT)


@pytest.fixture
def outsider(store: Store, lexicon: Lexicon, gate: Gate) -> TestClient:
    """A client without the cookie."""
    return TestClient(make_app(store, lexicon, gate, operator="tester"), base_url=HERE, follow_redirects=False)


@pytest.fixture
def client(outsider: TestClient, gate: Gate) -> TestClient:
    """A client that was let in, whose requests come from the desk's own pages."""
    assert outsider.get(gate.opening_address).status_code == 303
    outsider.headers.update({"Origin": HERE, "HX-Request": "true", "Sec-Fetch-Site": "same-origin"})
    return outsider


# ---- a desk as a program, and a browser -------------------------------------------------------


@dataclass
class Desk:
    """A desk that runs as a program of its own."""

    store: Path
    port: int = 0
    address: str = ""
    process: subprocess.Popen[str] | None = None
    said: list[str] = field(default_factory=list)

    def start(self) -> Desk:
        """Start, or start again on the same port and store."""
        command = [sys.executable, "-m", "dictate", "desk", "--no-browser", "--store", str(self.store)]
        command += ["--port", str(self.port or free_port())]
        environment = {k: v for k, v in os.environ.items() if k != "DICTATE_STORE"}
        self.store.parent.parent.mkdir(parents=True, exist_ok=True)
        self.process = subprocess.Popen(
            command,
            cwd=self.store.parent.parent,  # so that the installed package is run, not the folder at hand
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment,
        )
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(line)
            found = re.search(r"http://127\.0\.0\.1:(\d+)/\S+", line)
            if found:
                self.address, self.port = found[0], int(found[1])
                return self
        raise AssertionError("".join(self.said))

    def kill(self) -> None:
        """As a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> int:
        """Ctrl-C; gives the exit status."""
        assert self.process is not None and self.process.stdout is not None
        self.process.send_signal(signal.SIGINT)
        self.said.append(self.process.stdout.read())
        return self.process.wait(20)


def free_port() -> int:
    import socket

    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk of this test's own."""
    one = Desk(tmp_path / "own" / "records.db").start()
    yield one
    if one.process is not None and one.process.poll() is None:
        one.stop()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    if not CHROMIUM:
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=_FLAGS)
        yield browser
        browser.close()


@dataclass
class Shared:
    """A desk that many tests share, with what lets a browser in."""

    desk: Desk
    state: Any = None


@pytest.fixture(scope="session")
def shared(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    one = Shared(Desk(tmp_path_factory.mktemp("desk") / "records.db").start())
    yield one
    one.desk.stop()


@pytest.fixture
def page(chromium: Any, shared: Shared) -> Iterator[Any]:
    """A page of the shared desk, at its list; faults of the script fail the test."""
    yield from opened(chromium, shared)


def opened(chromium: Any, shared: Shared, **options: Any) -> Iterator[Any]:
    options = {"viewport": {"width": 1280, "height": 900}} | options
    context = chromium.new_context(storage_state=shared.state, **options)
    context.set_default_timeout(15_000)
    page = context.new_page()
    page.faults = []
    page.asked = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda told: page.faults.append(told.text) if "Content Security" in told.text else None)
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(shared.desk.address if shared.state is None else f"http://127.0.0.1:{shared.desk.port}/")
    shared.state = shared.state or context.storage_state()
    yield page
    context.close()
    assert page.faults == []
    assert {url.split("/")[2] for url in page.asked if not url.startswith("data:")} <= {f"127.0.0.1:{shared.desk.port}"}


def wait_for(what: Any, seconds: float = 10) -> Any:
    """Wait until something is true."""
    end = time.monotonic() + seconds
    while not (found := what()):
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)
    return found
