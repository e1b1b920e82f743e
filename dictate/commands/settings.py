"""`dictate settings`: who writes the letters, and how they look."""

from __future__ import annotations

from typing import Annotated

import typer

from dictate.commands.telling import needing, plainly


def make() -> typer.Typer:
    """The commands on settings."""
    app = typer.Typer(
        no_args_is_help=True, rich_markup_mode=None, help="Show or set who writes the letters, and how they look."
    )
    app.command("show")(show)
    app.command("set")(put)
    app.command("path")(where)
    return app


def show() -> None:
    """Show every setting: its value, or what it is for."""
    with plainly(), needing("letters"):
        from dictate.letters.settings import KEYS, values

        kept = values()
        width = max(map(len, KEYS))
        for key, lines in kept.items():
            told = lines or [f"(not set: {KEYS[key]})"]
            for number, line in enumerate(told):
                typer.echo(f"{'' if number else key:<{width}}  {line}")


def put(
    key: Annotated[str, typer.Argument(metavar="KEY", help="A key, as `dictate settings show` prints it.")],
    value: Annotated[
        list[str] | None,
        typer.Argument(metavar="VALUE...", help="Its value; one argument a line for an address; none empties it."),
    ] = None,
) -> None:
    """Set one setting."""
    with plainly(), needing("letters"):
        from dictate.letters.settings import KEYS, SettingsError, save, values

        if not value and key in KEYS and not _can_be_empty(key):
            raise SettingsError(f"{key}: give a value ({KEYS[key]})")
        save({key: value or []})
        typer.echo(f"{key}: {' / '.join(values()[key]) or 'empty'}")


def where() -> None:
    """Print where the settings file lies."""
    with plainly(), needing("letters"):
        from dictate.letters.settings import path

        typer.echo(path())


def _can_be_empty(key: str) -> bool:
    return key == "templates" or key.startswith(("clinic.", "clinician."))
