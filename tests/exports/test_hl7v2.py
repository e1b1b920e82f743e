"""HL7 v2.5.1: strictly valid, and by the rules that strict validation lets through."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from hypothesis import given, settings
from hypothesis import strategies as st

from dictate import demo
from dictate.exports import Document, OpenQuestions, hl7v2
from dictate.exports.hl7v2 import MessageError, escaped
from dictate.exports.v2_check import faults
from dictate.pipeline import read
from dictate.record import Evidence

from .making import CODES, LEXICON, document, entry, every, of_entries, of_note, unsigned

KINDS = sorted({item.kind for item in LEXICON.items.values()})
TEXT = "GAT right 16, left 24. Rinne positive right, negative left at 512. Fields not done."
UNESCAPED = {"F": "|", "S": "^", "T": "&", "R": "~", "E": "\\"}


def written(one: Document) -> str:
    return hl7v2.message(one, LEXICON, CODES)


def segments(message: str, name: str) -> list[list[str]]:
    """Fields by number; MSH-1 is the separator itself."""
    lines = [line.split("|") for line in message.split("\r")]
    return [["MSH", *line] if name == "MSH" else line for line in lines if line[0] == name]


def unescaped(field: str) -> str:
    """A field read by hand, one escape sequence after another (HL7 v2.5.1, chapter 2; from memory)."""
    out, rest = "", field
    while rest:
        if rest[0] == "\\":
            assert rest[2] == "\\", field
            out, rest = out + UNESCAPED[rest[1]], rest[3:]
        else:
            out, rest = out + rest[0], rest[1:]
    return out


def strictly_valid(message: str) -> bool:
    parsed = parse_message(message[:-1], validation_level=VALIDATION_LEVEL.STRICT)
    return bool(parsed.validate()) and parsed.to_er7() == message[:-1]


@pytest.mark.parametrize("name", demo.names())
def test_a_demo_note_gives_a_valid_message(name: str) -> None:
    message = written(of_note(demo.note(name).text))
    assert faults(message) == []
    assert strictly_valid(message)


@pytest.mark.parametrize("kind", KINDS)
def test_every_item_of_a_kind_gives_a_valid_message(kind: str) -> None:
    made = of_entries(*every(kind))
    message = written(made)
    assert faults(message) == []
    assert strictly_valid(message)
    told = segments(message, "OBX")[: len(made.record.entries)]
    assert len(told) == len(made.record.entries)


def test_header_and_patient() -> None:
    message = written(of_note(TEXT, name="Müller, Ana"))
    (header,), (patient,) = segments(message, "MSH"), segments(message, "PID")
    assert header[9:13] == ["ORU^R01^ORU_R01", header[10], "P", "2.5.1"]
    assert 0 < len(header[10]) <= 20
    assert header[18] == "UNICODE UTF-8"
    assert (patient[3], patient[5], patient[7]) == ("P-17", "Müller^Ana", "19610203")
    assert message.endswith("\r") and "\n" not in message


def test_results_hold_side_unit_method_interpretation() -> None:
    message = written(of_note(TEXT))
    rows = {(x[3].split("^")[0], x[2]): x for x in segments(message, "OBX")}
    right, left = rows["79892-6", "NM"], rows["79893-4", "NM"]
    assert right[3].split("^")[3:] == ["pressure.eye:right", "Eye pressure, right eye (applanation)", "L"]
    assert (right[5], right[6]) == ("16", "mm[Hg]^mmHg^UCUM")
    assert right[4] == left[4]
    assert left[8] == "A"
    assert left[17].split("^")[0] == "applanation"
    rinne = {x[5].split("^")[0]: x[8] for x in segments(message, "OBX") if x[3].startswith("hearing.rinne:")}
    assert rinne == {"positive": "N", "negative": "A"}


def test_what_was_not_done_has_no_value_and_says_so() -> None:
    message = written(of_note(TEXT))
    fields = [x for x in segments(message, "OBX") if x[3].startswith("fields.")]
    assert fields and all((x[2], x[5], x[11]) == ("", "", "X") for x in fields)
    assert "NTE|1||not done" in message


def test_ranges_and_scores_are_structured_numbers() -> None:
    made = of_entries(entry("disc.cup_ratio", "left", [0.5, 0.6]), entry("colour.plates", "right", "13/15"))
    rows = segments(written(made), "OBX")
    assert [(x[2], x[5]) for x in rows[:2]] == [("SN", "^0.5^-^0.6"), ("SN", "^13^/^15")]


def test_the_same_told_twice_is_two_results() -> None:
    made = of_entries(
        entry("pressure.eye", "left", 24, method="applanation"),
        entry("pressure.eye", "left", 26, method="applanation"),
        entry("pressure.eye", "right", 16),
    )
    rows = segments(written(made), "OBX")[:3]
    assert len({(x[3], x[4]) for x in rows}) == 3
    assert rows[0][4] == rows[2][4]


def test_the_status_tells_draft_signed_and_amended() -> None:
    one = of_note("Ptosis left.")
    for made, status in ((unsigned(one), "P"), (one, "F"), (replace(one, version=2), "C")):
        message = written(made)
        assert {x[11] for x in segments(message, "OBX")} == {status}
        assert {x[25] for x in segments(message, "OBR")} == {status}
    assert "UNSIGNED DRAFT" in written(unsigned(one)) and "UNSIGNED" not in written(one)


def test_words_of_several_lines_are_a_note_each() -> None:
    made = of_entries(entry("lid.ptosis", "left", "present"))
    words = (Evidence(0, 13, "Ptosis\r\nleft"), Evidence(20, 25, "heavy"))
    record = replace(made.record, entries=(replace(made.record.entries[0], evidence=words),), derived=())
    message = written(replace(made, record=record))
    assert [x[3] for x in segments(message, "NTE")][1:] == ["Ptosis", "left", "heavy"]


def test_a_message_needs_a_patient_and_no_open_question() -> None:
    for without in ({"reference": ""}, {"name": " "}):
        with pytest.raises(MessageError, match="names its patient"):
            written(of_note(TEXT, **without))
    text = "Pressure sixteen."
    with pytest.raises(OpenQuestions):
        written(document(read(text, lexicon=LEXICON), text))


# ---- the checks themselves -------------------------------------------------------------------------


def test_the_checks_find_what_strict_validation_accepts() -> None:
    good = written(of_note(TEXT))
    assert faults(good) == []
    lines = good[:-1].split("\r")

    def told(changed: list[str]) -> str:
        return "; ".join(faults("\r".join(changed) + "\r"))

    at = next(n for n, line in enumerate(lines) if line.startswith("OBX|1|"))
    number = next(n for n, line in enumerate(lines) if "|NM|" in line)
    assert "PID" in told([line for line in lines if not line.startswith("PID")])
    assert "before OBR" in told([*lines[:2], lines[at], *lines[2:at], *lines[at + 1 :]])
    assert "MSH-9" in told([lines[0].replace("^ORU_R01", ""), *lines[1:]])
    assert "no number" in told([line.replace("|16|", "|abc|") if n == number else line for n, line in enumerate(lines)])
    assert "no OBR" in told([line for line in lines if not line.startswith("OBR")])
    assert "out of order" in told([*lines[:at], *lines[at + 1 :]])
    again = lines[at].replace("OBX|1|", "OBX|2|")
    assert "sub-id" in told([*lines[: at + 1], again, *lines[at + 1 :]])
    assert faults("PID|1")
    assert faults(good[:-1]) and faults(good.replace("\r", "\r\n"))


# ---- any text -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["D&Q", "C^D", "~6/9", "a|b", "\\", "\\F\\", "\\\\E\\", "\\.br\\", "\\X0D\\", "קול"])
def test_delimiters_are_escaped_and_read_back(text: str) -> None:
    assert unescaped(escaped(text)) == text
    message = written(of_note("Ptosis left.", name=text))
    assert unescaped(segments(message, "PID")[0][5]) == text
    assert strictly_valid(message)


@settings(max_examples=40, deadline=None)
@given(st.text(st.one_of(st.sampled_from("\\|^&~\r\nEFSTRH"), st.characters()), min_size=1, max_size=40))
def test_any_text_is_escaped_and_read_back(text: str) -> None:
    name = f"x{text}x"
    message = written(document(of_entries(entry("lid.ptosis", "left", "present")).record, name=name, reference=name))
    patient = segments(message, "PID")[0]
    kept = hl7v2._CONTROL.sub(" ", name)
    assert unescaped(patient[3]) == kept
    assert strictly_valid(message)
    assert faults(message) == []
