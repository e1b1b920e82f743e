"""What strict validation of a message lets through: no patient, results out of order, words for numbers.

The rules are those of HL7 v2.5.1: the structure ORU_R01 (chapter 7) and the data types NM, SN and MSG (chapter 2).
"""

from __future__ import annotations

import re
from collections.abc import Iterator

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?", re.ASCII)
_TYPE = "ORU^R01^ORU_R01"
_RESULT_STATUS = frozenset("CDFINOPRSUWX")  # table 0085
_TYPES = frozenset("AD CE CF CK CN CP CX DT ED FT MO NM PN RP SN ST TM TN TS TX XAD XCN XON XPN XTN".split())  # 0125


def faults(message: str) -> list[str]:
    """What is wrong with a message in ER7, in sentences; empty if nothing was found."""
    if not message.startswith("MSH|^~\\&|"):
        return ["the message does not begin with MSH and the usual delimiters"]
    if "\n" in message:
        return ["a line feed stands in the message; segments end in a carriage return alone"]
    if not message.endswith("\r"):
        return ["the last segment has no carriage return"]
    segments = [line.split("|") for line in message[:-1].split("\r")]
    return [*_header(segments), *_results(segments)]


def _field(segment: list[str], number: int) -> str:
    return segment[number] if number < len(segment) else ""


def _header(segments: list[list[str]]) -> Iterator[str]:
    if _field(segments[0], 8) != _TYPE:
        yield f"MSH-9 is not {_TYPE}"
    patients = [place for place, one in enumerate(segments) if one[0] == "PID"]
    orders = [place for place, one in enumerate(segments) if one[0] == "OBR"]
    if len(patients) != 1:
        yield "there is not exactly one PID"
    if not orders:
        yield "there is no OBR"
    elif patients and patients[0] > orders[0]:
        yield "PID stands after OBR"


def _results(segments: list[list[str]]) -> Iterator[str]:
    expected = 0
    seen: set[tuple[str, str]] = set()
    for segment in segments:
        if segment[0] == "OBR":
            expected, seen = 1, set()
        elif segment[0] == "OBX":
            name = f"OBX {_field(segment, 1)}"
            if not expected:
                yield f"{name} stands before OBR"
            elif _field(segment, 1) != str(expected):
                yield f"{name} is out of order"
            expected += bool(expected)
            told = (_field(segment, 3), _field(segment, 4))
            if told in seen:
                yield f"{name} has the code and the sub-id of another"
            seen.add(told)
            yield from (f"{name}: {fault}" for fault in _result(segment))


def _result(segment: list[str]) -> Iterator[str]:
    kind, value, status = _field(segment, 2), _field(segment, 5), _field(segment, 11)
    if status not in _RESULT_STATUS:
        yield f"{status!r} is no result status"
    if bool(kind) != bool(value):
        yield "a value and its type go together"
    if (status == "X") == bool(value):
        yield "a result has a value unless it was not obtained"
    if kind and kind not in _TYPES:
        yield f"{kind!r} is no value type"
    if kind == "NM" and not _NUMBER.fullmatch(value):
        yield f"{value!r} is no number"
    if kind == "SN":
        parts = value.split("^")
        if len(parts) != 4 or not all(_NUMBER.fullmatch(parts[n]) for n in (1, 3)):
            yield f"{value!r} is no pair of numbers"
