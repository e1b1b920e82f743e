"""Stores to test with: each test runs on SQLite and on a real PostgreSQL.

DICTATE_TEST_POSTGRES, a URL whose user may create databases, names a server to use; else one is started.
"""

from __future__ import annotations

import os
import secrets
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from cluster import cluster, programs

import dictate
from dictate.store import Store, open_store


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """The URL of a server."""
    given = os.environ.get("DICTATE_TEST_POSTGRES")
    if given:
        yield given
        return
    bin = programs()
    if bin is None:
        pytest.skip("no PostgreSQL is installed, and DICTATE_TEST_POSTGRES names none")
    with cluster(bin) as url:
        yield url


@pytest.fixture
def database(postgres: str) -> Iterator[str]:
    """The URL of an empty part of a database: a schema, which is made much faster than a database."""
    name = f"dictate_test_{secrets.token_hex(6)}"
    server = sa.create_engine(sa.make_url(postgres).set(drivername="postgresql+psycopg"))
    with server.begin() as connection:
        connection.exec_driver_sql(f"CREATE SCHEMA {name}")
    here = sa.make_url(postgres).update_query_dict({"options": f"-c search_path={name}"})
    yield here.render_as_string(hide_password=False)
    with server.begin() as connection:
        connection.exec_driver_sql(f"DROP SCHEMA {name} CASCADE")
    server.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty store can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "store" / "records.db")
    return str(request.getfixturevalue("database"))


@dataclass
class Clock:
    """A clock that moves when told to, and a little by itself."""

    now: datetime = field(default_factory=lambda: datetime(2026, 3, 2, 9, 0, tzinfo=UTC))

    def __call__(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    def wait(self, **time: float) -> None:
        """Let time pass; the arguments are those of timedelta."""
        self.now += timedelta(**time)


def program(code: str, *arguments: object) -> subprocess.Popen[str]:
    """A program of its own that uses the package under test; its standard output can be read."""
    environment = os.environ | {"PYTHONPATH": str(Path(dictate.__file__).parents[1])}
    command = [sys.executable, "-P", "-c", code, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(url: str, clock: Clock) -> Iterator[Store]:
    """An empty store with a clock of its own."""
    with open_store(url, clock=clock) as opened:
        yield opened


@pytest.fixture
def tamper(url: str) -> Callable[..., None]:
    """Runs statements on the store's database with all guards lifted, as somebody with the file in hand could."""

    def run(*statements: str) -> None:
        if "://" in url:
            engine = sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
            before = ["SET session_replication_role = replica"]
            after: list[str] = []
        else:
            engine = sa.create_engine(f"sqlite:///{url}")
            with engine.connect() as connection:
                query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
                triggers = connection.exec_driver_sql(query).all()
            before = [f"DROP TRIGGER {name}" for name, _ in triggers]
            after = [made_by for _, made_by in triggers]
        with engine.begin() as connection:
            for statement in (*before, *statements, *after):
                connection.exec_driver_sql(statement)
        engine.dispose()

    return run
