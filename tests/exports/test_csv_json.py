"""CSV read again with the standard library, and JSON."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dictate.exports import Document
from dictate.exports.as_csv import as_csv, columns, guarded
from dictate.exports.as_json import as_json
from dictate.pipeline import read
from dictate.record import Record

from .making import LEXICON, document, entry, every, of_entries, of_note, settled, texts, unsigned

KINDS = sorted({item.kind for item in LEXICON.items.values()})


def rows(*documents: Document) -> list[dict[str, str]]:
    """The table as the standard library reads it; strict, so that a stray quotation mark is an error."""
    return list(csv.DictReader(io.StringIO(as_csv(documents, LEXICON), newline=""), strict=True))


def test_many_records_are_one_table_with_a_row_an_entry() -> None:
    documents = [document(settled(text, name), text, id=name) for name, text in texts()][-12:]
    table = rows(*documents)
    assert len(table) == sum(len(one.record.entries) for one in documents)
    assert {row["record"] for row in table} == {one.id for one in documents if one.record.entries}
    assert all(None not in row and None not in row.values() for row in table)


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_says_what_the_entry_says(kind: str) -> None:
    made = of_entries(*every(kind))
    for row, one in zip(rows(made), made.record.entries, strict=True):
        assert (row["item"], row["side"], row["unit"]) == (one.item, one.side or "", one.unit)
        assert {key: row[key] for key in one.context} == {key: str(value) for key, value in one.context.items()}
        if isinstance(one.value, list):
            assert [float(row["low"]), float(row["high"])] == one.value
        elif isinstance(one.value, int | float):
            assert float(row["value"]) == float(row["low"]) == float(row["high"]) == one.value
        else:
            assert row["value"].removeprefix("'") == one.value
            assert row["low"] == row["high"] == ""


def test_lines_end_as_rfc_4180_has_them_and_every_line_has_every_field() -> None:
    table = as_csv([of_note('Ptosis\nleft, "heavy".')], LEXICON)
    assert table.endswith("\r\n")
    read_again = list(csv.reader(io.StringIO(table, newline=""), strict=True))
    assert read_again[0] == columns(LEXICON)
    assert {len(row) for row in read_again} == {len(columns(LEXICON))}
    assert len(set(columns(LEXICON))) == len(columns(LEXICON))


def test_an_open_question_goes_along() -> None:
    text = "Pressure sixteen."
    (row,) = rows(document(read(text, lexicon=LEXICON), text))
    assert row["state"] == "confirm"
    assert "which eye" in row["questions"]


def test_the_signature_and_the_patient_have_columns() -> None:
    (row,) = rows(of_note("Ptosis left.", version=2))
    assert (row["version"], row["status"], row["signed_by"], row["patient_name"]) == (
        "2",
        "amended",
        "MK",
        "Ana Examplar",
    )
    (draft,) = rows(unsigned(of_note("Ptosis left.")))
    assert (draft["status"], draft["signed_by"], draft["signed_at"]) == ("preliminary", "", "")


@pytest.mark.parametrize("cell", ["-0.10", "+0.25", "-1", "16", "0.5", "1e-05", "-2.5e+10", "", "6/9-2", "N5", "a=b"])
def test_numbers_and_plain_words_stay_as_they_are(cell: str) -> None:
    assert guarded(cell) == cell


@pytest.mark.parametrize(
    "cell", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "-0.10 logMAR", "--1", "＝1"]
)
def test_what_a_spreadsheet_would_run_is_guarded(cell: str) -> None:
    """OWASP, CSV injection (from memory): cells that begin with =, +, -, @, tab or carriage return."""
    assert guarded(cell) == f"'{cell}"
    (row,) = rows(of_note("Ptosis left.", name=cell))
    assert row["patient_name"] == f"'{cell}"


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=30))
def test_any_text_is_read_again(text: str) -> None:
    made = document(of_entries(entry("lid.ptosis", "left", "present")).record, name=text)
    (row,) = rows(made)
    assert row["patient_name"] == guarded(text)


@settings(max_examples=60, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_is_never_guarded(number: float) -> None:
    (row,) = rows(of_entries(entry("disc.cup_ratio", "left", number)))
    assert float(row["value"]) == number


# ---- JSON ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_json_is_the_printed_record_with_more_keys(kind: str) -> None:
    made = of_entries(*every(kind))
    printed = json.loads(json.dumps(as_json(made), ensure_ascii=False))
    assert Record.from_dict(printed) == made.record
    assert {key: printed[key] for key in made.record.to_dict()} == json.loads(json.dumps(made.record.to_dict()))


def test_json_tells_patient_version_and_signature() -> None:
    printed = as_json(of_note("Ptosis left.", version=2))
    assert printed["patient"] == {"reference": "P-17", "name": "Ana Examplar", "birth_date": "1961-02-03"}
    assert (printed["record_id"], printed["version"], printed["status"]) == ("k7", 2, "amended")
    assert printed["signature"] == {"by": "MK", "at": "2026-03-04T15:06:07+00:00"}
    bare = replace(unsigned(of_note("Ptosis left.")), reference="", name="", birth_date=None, id="")
    printed = as_json(bare)
    assert printed["signature"] is None
    assert set(printed["patient"].values()) == {None}
