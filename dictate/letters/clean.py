"""A letter whose every text can stand in any file."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

from dictate.sketches.svg import clean

T = TypeVar("T")


def cleaned(one: T) -> T:
    """The same with the characters replaced that XML, and so a word processor's file, cannot hold."""
    return _cleaned(one)  # type: ignore[no-any-return]


def _cleaned(one: Any) -> Any:
    if isinstance(one, str):
        return clean(one)
    if isinstance(one, tuple):
        return tuple(_cleaned(part) for part in one)
    if is_dataclass(one) and not isinstance(one, type):
        return type(one)(**{field.name: _cleaned(getattr(one, field.name)) for field in fields(one)})
    return one
