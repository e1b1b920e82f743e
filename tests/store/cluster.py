"""A PostgreSQL of its own for the tests: started in a temporary folder, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path


def programs() -> Path | None:
    """The folder of initdb and pg_ctl, the newest if there are several."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    versions = [p for p in Path("/usr/lib/postgresql").glob("*/bin") if (p / "initdb").exists()]
    return max(versions, key=lambda p: float(p.parent.name), default=None)


def _as_server() -> tuple[dict[str, str | int], int]:
    """Who the server runs as: it refuses root."""
    if os.geteuid() != 0:
        return {}, os.geteuid()
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            user = pwd.getpwnam(name)
            return {"user": user.pw_uid, "group": user.pw_gid}, user.pw_uid
    raise LookupError("no unprivileged user to run PostgreSQL as")


@contextlib.contextmanager
def cluster(bin: Path) -> Iterator[str]:
    """A running server on a socket; the URL of its database `postgres`."""
    who, uid = _as_server()
    folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))  # open to the server, and short, as a socket has to be
    os.chown(folder, uid, -1)
    data = folder / "data"

    def run(*command: str | Path) -> None:
        done = subprocess.run(
            command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, timeout=120, **who
        )  # type: ignore[call-overload]
        assert done.returncode == 0, done.stderr

    try:
        run(bin / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
        options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c max_connections=100 -c fsync=off"
        run(bin / "pg_ctl", "-D", data, "-w", "-l", folder / "log", "-o", options, "start")
        try:
            yield f"postgresql://tester@/postgres?host={folder}"
        finally:
            run(bin / "pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
