"""Acuities as logMAR and decimal numbers.

Every notation of the record is converted: metric and foot fractions with letters more or less,
logMAR, decimal, and the categories below the chart. logMAR is rounded to two places, decimal
to three figures; the source of each rule is in the norms.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from dictate.derived.facts import Computed, clean
from dictate.norms import AcuityNorms, Low, Norms
from dictate.record import Derived, Entry

_NUMBER = r"\d+(?:\.\d+)?"
_FRACTION = re.compile(rf"({_NUMBER})/({_NUMBER})\s*(.*)")
_SINGLE = re.compile(rf"(-?{_NUMBER})\s*([A-Za-z]+)\s*(.*)")
_LETTERS = re.compile(r"([+-])\s*(\d+)")
_CATEGORY = re.compile(rf"([A-Za-z]+)(?:\s+({_NUMBER})\s*([a-z]+))?(?:\s.*)?")


@dataclass(frozen=True)
class Acuity:
    """An acuity as logMAR; `line` is the line alone, `kind` names the sentence to use."""

    logmar: float
    line: float
    kind: str
    source: tuple[str, ...]

    @property
    def decimal(self) -> float:
        """Decimal acuity, 1 / MAR."""
        return float(10**-self.logmar)


def _modified(norms: AcuityNorms, line: float, rest: str) -> Acuity | None:
    source = tuple(norms.source)
    letters = _LETTERS.fullmatch(rest)
    if letters and norms.per_letter:
        count = int(letters[2]) * (-1 if letters[1] == "+" else 1)
        return Acuity(line + count * norms.per_letter, line, "letters", source + tuple(norms.letter_source))
    if letters or rest == norms.partial:
        return Acuity(line, line, "partial", source)
    return Acuity(line, line, "line", source) if not rest else None


def _low(norms: AcuityNorms, text: str) -> Acuity | None:
    match = _CATEGORY.fullmatch(text)
    low: Low | None = next((x for x in norms.low if match and match[1] in (x.name, *x.also)), None)
    if match is None or low is None:
        return None
    if match[2] and low.letter_m and match[3] in norms.length and float(match[2]) > 0:
        by_distance = math.log10(low.letter_m / (float(match[2]) * norms.length[match[3]]))
        if by_distance < low.logmar:
            return Acuity(by_distance, by_distance, "low_distance", tuple(low.letter_source))
    return Acuity(low.logmar, low.logmar, "imputed" if low.imputed else "low", tuple(low.source))


def convert(norms: AcuityNorms, text: str) -> Acuity | None:
    """The logMAR of an acuity as the record writes it ("6/9-2", "CF 1 m"); None if it is none."""
    text = text.strip()
    fraction = _FRACTION.fullmatch(text)
    if fraction:
        above, below = float(fraction[1]), float(fraction[2])
        return _modified(norms, math.log10(below / above), fraction[3]) if above and below else None
    single = _SINGLE.fullmatch(text)
    if single:
        number = float(single[1])
        if single[2] == norms.logmar_suffix:
            return _modified(norms, number, single[3])
        if single[2] == norms.decimal_suffix and number > 0:
            return _modified(norms, -math.log10(number), single[3])
        return None
    return _low(norms, text)


def figures(number: float, count: int = 3) -> float | int:
    """A number rounded to some figures."""
    return clean(float(f"{number:.{count}g}"), 6)


def acuities(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """logMAR and decimal of every distance acuity, M units of near print told in points."""
    rules = norms.acuity
    out: list[Computed] = []
    for entry in entries:
        if not isinstance(entry.value, str):
            continue
        if entry.item == rules.distance:
            found = convert(rules, entry.value)
            if found is not None:
                out += _both(entry, entry.value, found, norms)
        elif entry.item == rules.near:
            out += _near(entry, entry.value, norms)
    return out


def _both(entry: Entry, said: str, found: Acuity, norms: Norms) -> list[Computed]:
    text = norms.acuity.text
    source = norms.cite(list(found.source))
    logmar, decimal = clean(found.logmar, 2), figures(found.decimal, 2 if found.kind.startswith("low") else 3)
    words = {
        "said": said,
        "logmar": f"{logmar:.2f}",
        "line": f"{clean(found.line, 2):.2f}",
        "decimal": f"{decimal:g}",
        "per_letter": f"{norms.acuity.per_letter:g}",
    }
    logmar_text = text["said" if found.kind == "line" and norms.acuity.logmar_suffix in said else found.kind]
    rows = [(f"{rules_key(norms)}.logmar", logmar, norms.acuity.logmar_suffix, logmar_text)]
    if found.kind != "imputed":
        as_said = found.kind == "line" and norms.acuity.decimal_suffix in said
        form = "said" if as_said else "decimal" if found.kind == "line" else f"{found.kind}_decimal"
        rows.append((f"{rules_key(norms)}.decimal", decimal, "1", text[form]))
    return [
        Computed(key, Derived(key, entry.side, value, unit, form.format(**words), (entry.id,), source), entry.context)
        for key, value, unit, form in rows
    ]


def rules_key(norms: Norms) -> str:
    """The stem of the keys of computed acuities ("acuity")."""
    return norms.acuity.distance.partition(".")[0]


def _near(entry: Entry, said: str, norms: Norms) -> list[Computed]:
    rules = norms.acuity
    points = said.removeprefix(rules.points_prefix)
    if points == said or not re.fullmatch(_NUMBER, points):
        return []
    metres = clean(float(points) / rules.points_per_m, 3)
    key = f"{rules_key(norms)}.near_m"
    text = rules.text["near"].format(said=said, m=f"{metres:g}")
    derived = Derived(key, entry.side, metres, "M", text, (entry.id,), norms.cite(rules.points_source))
    return [Computed(key, derived, entry.context)]


def best(entries: Iterable[Entry], norms: Norms) -> dict[str, float]:
    """The best logMAR of each eye by whatever correction; keys "right" and "left"."""
    out: dict[str, float] = {}
    for entry in entries:
        if entry.item == norms.acuity.distance and entry.side and isinstance(entry.value, str):
            found = convert(norms.acuity, entry.value)
            if found is not None:
                out[entry.side] = min(found.logmar, out.get(entry.side, found.logmar))
    return out
