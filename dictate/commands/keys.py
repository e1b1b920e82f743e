"""Answers at the terminal: one key, or one line; from a pipe, a line each."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Collection

import typer


class Left(Exception):  # noqa: N818
    """There is nobody to answer any more: the input has ended, or was interrupted with Ctrl-C."""

    def __init__(self, interrupted: bool = False) -> None:
        self.interrupted = interrupted
        super().__init__()


def tell(text: str = "") -> None:
    """Lines on standard output, without signs that would steer the terminal."""
    typer.echo(visible(text))


def visible(text: str) -> str:
    """Text in which control characters, but for line ends, can be seen and do nothing."""
    return "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cs") and c != "\n" else c for c in text)


def title(text: str) -> None:
    """A line that stands out where the terminal can do it; no meaning rests on it."""
    typer.secho(visible(text), bold=True)


class Keys:
    """The keyboard, or what stands in for it."""

    def __init__(self) -> None:
        self.live = sys.stdin is not None and sys.stdin.isatty()

    def key(self, keys: Collection[str], prompt: str = "> ") -> str:
        """The first of `keys` that is told; "" among them is Enter. Raises Left."""
        while True:
            typer.echo(prompt, nl=False)
            told = self._press() if self.live and all(len(k) <= 1 for k in keys) else self._line()
            if told in keys:
                return told
            if told:
                tell(f"{told!r} is none of the keys: {' '.join(keys).strip()}")

    def line(self, prompt: str) -> str:
        """What is typed up to Enter, without the blanks around it. Raises Left."""
        typer.echo(prompt, nl=False)
        return self._line()

    def _press(self) -> str:
        """One key, shown as it is taken; what was typed before the question stood there does not count."""
        try:
            told = typer.getchar()
        except KeyboardInterrupt:
            raise Left(interrupted=True) from None
        except (EOFError, OSError):
            raise Left from None
        if "\x03" in told:
            raise Left(interrupted=True)
        tell(told if told.isprintable() else "")
        return told.strip().casefold()

    def _line(self) -> str:
        if sys.stdin is None:
            raise Left
        try:
            told = input()
        except KeyboardInterrupt:
            raise Left(interrupted=True) from None
        except (EOFError, OSError, UnicodeDecodeError, ValueError):  # a closed file is a ValueError
            raise Left from None
        if not self.live:
            tell(told)
        return told.strip()
