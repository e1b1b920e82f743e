"""Sentences out of Jinja2 templates: one macro each; a user's folder takes the place of the macros that it holds."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dictate.errors import DictateError

if TYPE_CHECKING:
    from jinja2.environment import TemplateModule
    from jinja2.loaders import BaseLoader


class TemplateFault(DictateError):  # noqa: N818
    """A user's template that cannot be used, in one sentence."""


def listed(phrases: Iterable[str], last: str = "and") -> str:
    """Phrases as one reads them: "a, b and c"."""
    every = [str(one) for one in phrases]
    if len(every) < 2:
        return "".join(every)
    return f"{', '.join(every[:-1])} {last} {every[-1]}"


def capital(text: str) -> str:
    """A sentence's first letter as a capital; the others stay."""
    return text[:1].upper() + text[1:]


class Sentences:
    """The sentences of one kind of letter. `folder` is the user's folder of templates."""

    def __init__(self, kind: str, folder: Path | None = None) -> None:
        name = f"{kind}.jinja"
        self._modules: list[tuple[str, TemplateModule]] = []
        if folder is not None and (folder / name).is_file():
            from jinja2.loaders import FileSystemLoader

            place = str(folder / name)
            self._modules.append((place, _module(place, name, FileSystemLoader(folder))))
        self._modules.append(("", _shipped(name)))

    def say(self, sentence: str, *values: Any) -> str:
        """The sentence of that name on one line; "" where it says nothing. Raises TemplateFault."""
        from jinja2 import TemplateError

        for place, module in self._modules:
            macro = getattr(module, sentence, None)
            if macro is None:
                continue
            try:
                return " ".join(str(macro(*values)).split())
            except (TemplateError, TypeError, ValueError, ZeroDivisionError) as error:
                raise TemplateFault(f"{place or 'template'}: {sentence}: {error}") from error
        raise KeyError(sentence)


@lru_cache(maxsize=4)
def _shipped(name: str) -> TemplateModule:
    from jinja2.loaders import PackageLoader

    return _module(name, name, PackageLoader("dictate.letters", "templates"))


def _module(place: str, name: str, loader: BaseLoader) -> TemplateModule:
    from jinja2 import StrictUndefined, TemplateError, TemplateSyntaxError
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    environment = ImmutableSandboxedEnvironment(loader=loader, undefined=StrictUndefined, autoescape=False)
    environment.filters.update(listed=listed, capital=capital)
    try:
        return environment.get_template(name).module
    except TemplateSyntaxError as error:
        raise TemplateFault(f"{place}: line {error.lineno}: {error.message}") from error
    except (TemplateError, UnicodeDecodeError, TypeError, ValueError) as error:
        raise TemplateFault(f"{place}: {error}") from error
