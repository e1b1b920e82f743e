"""What the computations share: computed values with their circumstances, and numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from dictate.norms import Band, Norms
from dictate.record import Derived, Entry, Value

Context = dict[str, str | int]
OTHER = {"right": "left", "left": "right"}


@dataclass(frozen=True)
class Computed:
    """A derived value, its key without the circumstance, and the circumstances it holds for."""

    base: str
    derived: Derived
    context: Context = field(default_factory=dict)


def told(entries: Iterable[Entry], norms: Norms) -> list[Entry]:
    """The entries that hold a value (a test declared not done holds none)."""
    return [e for e in entries if e.value is not None and e.value != norms.nerves.not_done]


def stated(entries: Iterable[Entry], norms: Norms) -> list[Entry]:
    """The entries that hold a value about which no question is open."""
    return [e for e in told(entries, norms) if e.state == "stated"]


def span(value: Value) -> tuple[float, float] | None:
    """A quantity as lowest and highest number ([0.5, 0.6] -> 0.5, 0.6); None for text."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return None
    if isinstance(value, list):
        return (min(value), max(value)) if value else None
    return float(value), float(value)


def clean(number: float, places: int = 4) -> float | int:
    """A rounded number, whole where it is whole, without a negative zero."""
    rounded = round(number, places) + 0.0
    return int(rounded) if rounded == int(rounded) else rounded


def shown(value: Value) -> str:
    """A value as read in a sentence: "0.25", "0.5 to 0.6"."""
    pair = span(value)
    if pair is None:
        return str(value)
    low, high = (f"{clean(n):g}" for n in pair)
    return low if low == high else f"{low} to {high}"


def value_of(pair: tuple[float, float]) -> Value:
    """Two bounds as a record's value: one number, or a list of two."""
    low, high = (clean(n) for n in pair)
    return low if low == high else [float(low), float(high)]


def band_of(bands: list[Band], number: float) -> Band | None:
    """The last band that holds the number, or None."""
    found = None
    for band in bands:
        if band.holds(number):
            found = band
    return found


def fits(context: Context, wanted: dict[str, list[str]]) -> bool:
    """Whether every circumstance asked for is said and has one of the values."""
    return all(str(context.get(key, "")) in values for key, values in wanted.items())
