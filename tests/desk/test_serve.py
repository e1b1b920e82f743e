"""The command: one address, this computer only, a clean end."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dictate.cli import app
from dictate.desk.serve import listen
from dictate.errors import DictateError
from dictate.store import open_store

from .conftest import Desk


def test_ctrl_c_ends_it_cleanly(desk: Desk) -> None:
    with socket.create_connection(("127.0.0.1", desk.port)):
        assert desk.stop() == 0
    assert "everything is saved" in desk.said[-1]
    assert "Traceback" not in "".join(desk.said)


def test_it_can_be_reached_from_this_computer_only(desk: Desk) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as one:
        one.settimeout(2)
        others = {i[4][0] for i in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)} - {"127.0.0.1"}
        for address in [a for a in others if not a.startswith("127.")]:
            assert one.connect_ex((address, desk.port)) != 0


@pytest.mark.skipif(not Path("/proc/self/net/tcp").exists(), reason="needs /proc")
def test_it_opens_no_connection_of_its_own(desk: Desk) -> None:
    with pytest.raises(urllib.error.HTTPError):
        urllib.request.urlopen(f"http://127.0.0.1:{desk.port}/")
    assert desk.process is not None
    folder = Path(f"/proc/{desk.process.pid}")
    own = {os.readlink(one) for one in (folder / "fd").iterdir() if one.is_symlink()}
    listening = 0
    for name in ("tcp", "tcp6", "udp", "udp6"):
        for line in (folder / "net" / name).read_text().splitlines()[1:]:
            parts = line.split()
            if f"socket:[{parts[9]}]" not in own:
                continue
            port = int(parts[1].rpartition(":")[2], 16)
            assert port == desk.port, f"{name}: {line}"  # its own listening socket, and what was accepted there
            listening += parts[3] == "0A"
    assert listening == 1


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_everything_it_writes_is_the_owners_alone(desk: Desk) -> None:
    files = list(desk.store.parent.iterdir())
    assert files
    assert {stat.S_IMODE(p.stat().st_mode) for p in files} == {0o600}
    assert stat.S_IMODE(desk.store.parent.stat().st_mode) == 0o700


def test_it_prints_the_address_and_nothing_of_a_note(desk: Desk) -> None:
    with open_store(str(desk.store)) as store:
        head = store.new("tester")
        store.save_note(head.id, "Quillhaven", head.revision, "tester")
    desk.stop()
    said = "".join(desk.said)
    assert said.count("http://") == 1 and "Quillhaven" not in said


def test_a_port_that_is_taken_is_told() -> None:
    with listen(0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(DictateError, match=f"port {port} is taken"):
            listen(port)


def test_a_store_that_cannot_be_opened_is_told(tmp_path: Path) -> None:
    place = tmp_path / "file"
    place.write_text("not a store")
    answer = CliRunner().invoke(app, ["desk", "--no-browser", "--store", str(place)])
    assert answer.exit_code == 2


def test_other_commands_do_not_load_it() -> None:
    heavy = {"starlette", "uvicorn", "jinja2", "sqlalchemy", "alembic"}
    code = f"import sys, dictate.cli; print(sorted({heavy!r} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_what_is_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [one for one in sys.modules if one.startswith(("uvicorn", "dictate.desk.serve"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    answer = CliRunner().invoke(app, ["desk", "--no-browser"])
    assert answer.exit_code == 2
    assert "pip install 'dictate[desk]'" in answer.output
