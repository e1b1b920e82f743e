"""Who writes the letters, and how they are to look: a TOML file of the user's own.

    settings = load()              # what is not set has its usual value
    save({"clinic.name": ["Harbour Eye Clinic"], "due_days.urgent": ["7"]})

Only the user can read the file. Comments in it, and the order of its lines, stay when a value is set.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from dictate.errors import DictateError
from dictate.letters.model import Party

VARIABLE = "DICTATE_SETTINGS"
"""The environment variable that names another settings file."""

Paper = Literal["a4", "us-letter"]
_STRICT = ConfigDict(extra="forbid", strict=True, frozen=True)


class SettingsError(DictateError):
    """Settings that cannot be used: the message names the file, the key and the reason."""


class _Clinic(BaseModel):
    model_config = _STRICT
    name: str = ""
    address: list[str] = []
    phone: str = ""
    email: str = ""


class _Clinician(BaseModel):
    model_config = _STRICT
    name: str = ""
    role: str = ""
    registration: str = ""


class _DueDays(BaseModel):
    """Days until a referral is due, by its urgency: common practice, no source; to be set by local protocol."""

    model_config = _STRICT
    same_day: int = Field(default=0, ge=0, le=1000)
    urgent: int = Field(default=14, ge=0, le=1000)
    soon: int = Field(default=28, ge=0, le=1000)
    routine: int = Field(default=84, ge=0, le=1000)


class _File(BaseModel):
    model_config = _STRICT
    paper: Paper = "a4"
    templates: str = ""
    name_in_subject: bool = False
    clinic: _Clinic = _Clinic()
    clinician: _Clinician = _Clinician()
    due_days: _DueDays = _DueDays()

    @field_validator("templates")
    @classmethod
    def _is_a_folder(cls, value: str) -> str:
        if value and not Path(value).expanduser().is_dir():
            raise ValueError(f"there is no folder {value}")
        return value


KEYS: Mapping[str, str] = {
    "clinic.name": "the clinic's name, at the head of a letter",
    "clinic.address": "its address, a line each",
    "clinic.phone": "its telephone number",
    "clinic.email": "its e-mail address",
    "clinician.name": "your name, under a letter",
    "clinician.role": "your role, such as optometrist",
    "clinician.registration": "your registration, as it is to be printed",
    "paper": "a4 or us-letter",
    "templates": "a folder with templates of your own",
    "name_in_subject": "yes if the subject of an e-mail may name the patient; no otherwise",
    "due_days.same_day": "days until a same-day referral is due",
    "due_days.urgent": "days until an urgent referral is due",
    "due_days.soon": "days until a referral that is to be seen soon is due",
    "due_days.routine": "days until a routine referral is due",
}
"""Every key that can be set, with what it is."""

_EMAIL = "clinic.email"
_WORDS = {"yes": True, "true": True, "no": False, "false": False}


@dataclass(frozen=True)
class Settings:
    """The settings as letters use them; `due_days` counts days by urgency."""

    clinic: Party
    clinician: Party
    paper: Paper
    due_days: Mapping[str, int]
    templates: Path | None = None
    name_in_subject: bool = False


def path() -> Path:
    """The settings file; it need not be there."""
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named).expanduser()
    import platformdirs

    return Path(platformdirs.user_config_dir("dictate", appauthor=False)) / "settings.toml"


def load(file: Path | None = None) -> Settings:
    """The user's settings; the usual ones where there is no file. Raises SettingsError."""
    place = file or path()
    return _settings(_checked(_table(_text(place), place), place))


def values(file: Path | None = None) -> dict[str, list[str]]:
    """Every key of KEYS with its value as it would be given to `save`; nothing for one that is empty. Raises SettingsError."""
    place = file or path()
    kept = _checked(_table(_text(place), place), place).model_dump()
    return {key: _shown(_at(kept, key)) for key in KEYS}


def save(changes: Mapping[str, Sequence[str]], file: Path | None = None) -> None:
    """Set keys in the settings file, each to its words (several for address lines, none to empty it).

    Nothing is written if any of them is wrong. Raises SettingsError.
    """
    import tomlkit

    place = file or path()
    text = _text(place)
    before = _table(text, place)
    document: Any = tomlkit.parse(text)
    for key, words in changes.items():
        if key not in KEYS:
            raise SettingsError(f"{key}: no such setting; there are {', '.join(KEYS)}")
        _put(document, key, _value(key, words))
    _checked(_table(tomlkit.dumps(document), place), place, keys=changes)
    if before != document.unwrap() or not place.exists():
        _write(tomlkit.dumps(document), place)


# ---- the file ------------------------------------------------------------------------------------


def _text(place: Path) -> str:
    try:
        return place.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError:
        raise SettingsError(f"{place}: the settings are not UTF-8 text") from None


def _table(text: str, place: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{place}: {error}") from None


def _write(text: str, place: Path) -> None:
    """Complete or not at all, and for the owner alone."""
    for missing in [one for one in place.parents if not one.exists()][::-1]:
        missing.mkdir(mode=0o700, exist_ok=True)
    handle, part = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)  # mode 0600
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, place)
    except BaseException:
        with suppress(OSError):
            os.unlink(part)
        raise


# ---- values --------------------------------------------------------------------------------------


def _checked(table: dict[str, Any], place: Path, keys: Mapping[str, object] | None = None) -> _File:
    """Faults of keys just given are told without the file; its name would only mislead."""
    try:
        return _File.model_validate(table)
    except ValidationError as error:
        faults = {".".join(str(part) for part in one["loc"]): one for one in error.errors()}
        told = [f"{key}: {_reason(key, one)}" for key, one in faults.items()]
        given = keys is not None and all(key in keys for key in faults)
        raise SettingsError("; ".join(told) if given else f"{place}: {'; '.join(told)}") from None


def _reason(key: str, fault: Any) -> str:
    kind = fault["type"]
    if kind == "extra_forbidden":
        return "no such setting"
    if kind == "literal_error":
        return f"it is one of {', '.join(get_args(Paper))}"
    if kind == "value_error":
        return str(fault["ctx"]["error"])
    if key.startswith("due_days."):
        return "it is a whole number of days, from 0 to 1000"
    wanted = {
        "string_type": "it is text in quotation marks",
        "list_type": "it is a list of lines",
        "bool_type": "it is true or false",
    }
    return wanted.get(kind, str(fault["msg"]).lower())


def _value(key: str, words: Sequence[str]) -> Any:
    lines = [" ".join(word.split()) for word in words]
    if key == "clinic.address":
        return [line for line in lines if line]
    text = " ".join(line for line in lines if line)
    if key.startswith("due_days."):
        if not (text.isascii() and text.isdigit()):
            raise SettingsError(f"{key}: it is a whole number of days, from 0 to 1000")
        return int(text)
    if key == "name_in_subject":
        if text.casefold() not in _WORDS:
            raise SettingsError(f"{key}: it is yes or no")
        return _WORDS[text.casefold()]
    if key == "templates" and text:
        return str(Path(text).expanduser().absolute())
    if key == _EMAIL and text and (text.count("@") != 1 or " " in text):
        raise SettingsError(f"{key}: “{text}” is no e-mail address")
    if key == "paper":
        return text.casefold()
    return text


def _put(document: Any, key: str, value: Any) -> None:
    import tomlkit

    head, _, tail = key.rpartition(".")
    table = document
    if head:
        if not isinstance(document.get(head), dict):
            document[head] = tomlkit.table()
        table = document[head]
    table[tail] = value


def _at(kept: Mapping[str, Any], key: str) -> Any:
    for part in key.split("."):
        kept = kept[part]
    return kept


def _shown(value: Any) -> list[str]:
    if isinstance(value, bool):
        return ["yes" if value else "no"]
    if isinstance(value, list):
        return [str(line) for line in value]
    return [str(value)] if value != "" else []


def _settings(kept: _File) -> Settings:
    clinic, clinician = kept.clinic, kept.clinician
    reach = (f"Telephone {clinic.phone}" if clinic.phone else "", clinic.email)
    return Settings(
        clinic=Party(clinic.name, "", tuple(line for line in (*clinic.address, *reach) if line)),
        clinician=Party(clinician.name, clinician.role, tuple(line for line in (clinician.registration,) if line)),
        paper=kept.paper,
        due_days=kept.due_days.model_dump(),
        templates=Path(kept.templates).expanduser() if kept.templates else None,
        name_in_subject=kept.name_in_subject,
    )
