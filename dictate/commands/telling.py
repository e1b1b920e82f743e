"""What commands share: how a fault is told, and what to install for a command that lacks its extra."""

from __future__ import annotations

import contextlib
import getpass
from collections.abc import Iterator

import typer

from dictate.errors import DictateError


def say(message: str) -> None:
    """One line on standard error."""
    typer.echo(f"dictate: {message}", err=True)


@contextlib.contextmanager
def plainly(status: int = 2) -> Iterator[None]:
    """A known fault becomes its sentence on standard error and an exit status."""
    try:
        yield
    except DictateError as error:
        say(str(error))
    except BrokenPipeError:
        raise
    except OSError as error:
        say(f"{error.filename}: {error.strerror}" if error.filename else str(error))
    else:
        return
    raise typer.Exit(status)


@contextlib.contextmanager
def needing(extra: str) -> Iterator[None]:
    """Around the imports of a command: a missing package becomes a sentence that says what to install."""
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("dictate"):
            raise
        raise DictateError(f"this needs {error.name}, which is not installed: pip install 'dictate[{extra}]'") from None


def operator() -> str:
    """The name under which this computer knows whoever is at it; empty if it knows none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
