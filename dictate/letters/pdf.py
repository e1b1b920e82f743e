"""A letter as PDF, by a template that the user can replace.

The document is tagged (PDF/UA-1): headings, the table's head and the drawings' words reach a screen reader. The fonts are in
the file. A letter is set more closely where that saves a page.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from dictate.errors import DictateError
from dictate.letters.clean import cleaned
from dictate.letters.model import Letter

FONT = "Libertinus Serif"
"""A font that the typesetter brings along, so that a letter looks the same on every computer."""

FITS = ("easy", "close", "tight")
"""How closely a letter can be set: the first unless a closer one saves a page."""

SHIPPED = Path(__file__).parent / "templates" / "letter.typ"

SANS = "font-family=\"Arial, 'Liberation Sans', Helvetica, 'DejaVu Sans'\""
_FAMILY = re.compile(r'font-family="[^"]*"')


class TemplateError(DictateError):
    """A template of the user's that cannot be used; the message names it and the reason."""


def to_pdf(letter: Letter, template: Path | None = None) -> bytes:
    """The letter as PDF; `template` takes the place of the shipped one. Raises TemplateError."""
    return _compiled(_fitting(letter, template)[1], template)


def fit(letter: Letter) -> str:
    """How the letter is set: one of FITS."""
    return _fitting(letter, None)[0]


def to_png(svg: str, ppi: float = 288) -> bytes:
    """A drawing as a picture, in its natural size (a user unit is a CSS pixel, 0.75 pt) at so many pixels an inch."""
    import typst

    source = (
        '#set page(width: auto, height: auto, margin: 0pt, fill: white)\n#image(bytes(sys.inputs.svg), format: "svg")'
    )
    made = typst.compile(source.encode(), format="png", ppi=ppi, sys_inputs={"svg": _FAMILY.sub(SANS, cleaned(svg))})
    return bytes(made[0] if isinstance(made, list) else made)


def _printed(letter: Letter) -> dict[str, Any]:
    family = f'font-family="{FONT}"'
    figures = tuple(replace(one, svg=_FAMILY.sub(family, one.svg)) for one in letter.figures)
    return cleaned(replace(letter, figures=figures)).to_dict()


def _fitting(letter: Letter, template: Path | None) -> tuple[str, Any]:
    """How the letter is set, and what sets it so."""
    text = json.dumps(_printed(letter), ensure_ascii=False)
    best = _compiler(text, FITS[0], template)
    chosen, pages = FITS[0], _pages(best, template)
    for name in FITS[1:] if pages > 1 else ():
        closer = _compiler(text, name, template)
        fewer = _pages(closer, template)
        if fewer < pages:
            chosen, best, pages = name, closer, fewer
    return chosen, best


def _compiler(letter: str, fit: str, template: Path | None) -> Any:
    import typst

    source = (template or SHIPPED).absolute()
    return typst.Compiler(str(source), root=str(source.parent), sys_inputs={"letter": letter, "fit": fit})


def _pages(compiler: Any, template: Path | None) -> int:
    """How many pages the template says there are; 1 if it does not say."""
    try:
        found = json.loads(compiler.query("<pages>", field="value"))
    except RuntimeError as error:
        raise _fault(error, template) from None
    return int(found[0]) if found else 1


def _compiled(compiler: Any, template: Path | None) -> bytes:
    try:
        return bytes(compiler.compile(format="pdf", pdf_standards="ua-1"))
    except RuntimeError as error:
        if template is None:
            raise
        fault = error
    try:  # a template of the user's need not meet the standard
        return bytes(compiler.compile(format="pdf"))
    except RuntimeError:
        raise _fault(fault, template) from None


def _fault(error: RuntimeError, template: Path | None) -> RuntimeError | TemplateError:
    """The typesetter's error in a sentence, if the template is the user's."""
    if template is None:
        return error
    return TemplateError(f"{template}: {' '.join(str(error).removeprefix('failed to compile document: ').split())}")
