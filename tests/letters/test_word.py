"""Letters as DOCX, read back."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from dictate.letters.model import Letter, Party, Said
from dictate.letters.pdf import TemplateError
from dictate.letters.word import to_docx
from letters import samples
from letters.test_pdf import squeezed, words

docx = pytest.importorskip("docx")
W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"


def opened(letter: Letter, template: Path | None = None) -> Any:
    return docx.Document(BytesIO(to_docx(letter, template)))


def texts(document: Any) -> Iterator[str]:
    """Every paragraph of the body, and of the head and foot of the pages."""
    section = document.sections[0]
    for part in (section.first_page_header, section.header, section.first_page_footer, section.footer):
        yield from (line.text for line in part.paragraphs)
    for line in document.element.body.iter(f"{W}p"):
        yield "".join(one.text or "\n" for one in line.iter(f"{W}t", f"{W}br"))


def styled(document: Any, style: str) -> list[str]:
    return [line.text for line in document.paragraphs if line.style.name == style]


def findings_table(document: Any) -> Any:
    return next(table for table in document.tables if table.cell(0, 0).text == "Finding")


@pytest.mark.parametrize("make", [samples.referral, samples.signed, samples.patient, samples.long])
def test_every_word_of_the_letter_is_in_it(make: Any) -> None:
    letter = make()
    text = squeezed("".join(texts(opened(letter))))
    for one in words(letter):
        assert squeezed(one) in text, one


def test_it_is_made_of_named_styles() -> None:
    document = opened(samples.signed())
    assert styled(document, "Title") == ["Referral to the eye department\tSoon"]
    assert styled(document, "Heading 2") == [one.title for one in samples.signed().sections]
    assert styled(document, "List Bullet") == ["A visual field of each eye", "OCT of both discs", "Gonioscopy"]


def test_the_findings_stand_right_before_left() -> None:
    rows = [[cell.text for cell in row.cells] for row in findings_table(opened(samples.signed())).rows]
    assert rows[0] == ["Finding", "Right", "Left"]
    assert ["Visual acuity, unaided", "6/6", "6/9"] in rows
    assert ["Rim thinning*", "not stated", "present, inferotemporal"] in rows
    assert ["Eye movements", "full, without double vision", "full, without double vision"] in rows  # one merged cell


def test_what_has_no_side_is_not_taken_for_the_right() -> None:
    table = findings_table(opened(samples.both_ways()))
    rows = [[cell.text for cell in row.cells] for row in table.rows]
    start = rows.index(["Cranial nerve*", "impaired VIII", "not stated"])
    assert rows[start + 1] == ["", "no side named: intact II to VII", "no side named: intact II to VII"]
    assert table.cell(start + 1, 1).paragraphs[0].style.paragraph_format.alignment == 1  # in the middle


def test_the_head_of_the_table_is_repeated_and_no_row_is_torn() -> None:
    rows = findings_table(opened(samples.long())).rows
    assert [row._tr.find(f"{W}trPr/{W}tblHeader") is not None for row in rows] == [True] + [False] * (len(rows) - 1)
    assert all(row._tr.find(f"{W}trPr/{W}cantSplit") is not None for row in rows)


def test_headings_stay_with_what_follows() -> None:
    document = opened(samples.signed())
    for name in ("Heading 2", "Title", "Figure"):
        assert document.styles[name].paragraph_format.keep_with_next
    lines = document.paragraphs
    closing = next(n for n, line in enumerate(lines) if line.style.name == "Closing")
    assert lines[closing - 1].paragraph_format.keep_with_next and lines[closing].paragraph_format.keep_with_next
    assert not lines[-1].paragraph_format.keep_with_next


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("us-letter", (215.9, 279.4))])
def test_the_paper_is_the_one_that_was_set(paper: Any, size: tuple[float, float]) -> None:
    section = opened(replace(samples.signed(), paper=paper)).sections[0]
    assert (section.page_width.mm, section.page_height.mm) == pytest.approx(size, abs=0.1)
    assert {round(one.mm) for one in (section.left_margin, section.right_margin, section.top_margin)} == {20}


def test_an_unsigned_letter_says_so_at_the_head_of_every_page() -> None:
    section = opened(samples.referral()).sections[0]
    assert section.different_first_page_header_footer
    for head in (section.first_page_header, section.header):
        assert head.paragraphs[0].text.endswith(f"\t{samples.DRAFT}")
    assert samples.DRAFT not in "".join(texts(opened(samples.signed())))


def test_every_page_is_counted_and_further_ones_name_the_patient() -> None:
    section = opened(samples.signed()).sections[0]
    assert section.header.paragraphs[0].text.startswith("Zoë Šťastná-Øverås, born 3 February 1961")
    assert section.first_page_header.paragraphs[0].text == ""
    for foot in (section.first_page_footer, section.footer):
        fields = [one.text.strip() for one in foot._element.iter(f"{W}instrText")]
        assert fields == ["PAGE", "NUMPAGES"]


def test_the_drawings_are_pictures_with_words() -> None:
    letter = samples.signed()
    document = opened(letter)
    told = [one.get("descr") for one in document.element.body.iter() if one.tag.endswith("}docPr")]
    assert told == [one.text for one in letter.figures]
    with zipfile.ZipFile(BytesIO(to_docx(letter))) as held:
        pictures = [name for name in held.namelist() if name.startswith("word/media/")]
        assert len(pictures) == len(letter.figures)
        assert all(held.read(name).startswith(b"\x89PNG") for name in pictures)


def test_the_properties_name_the_letter_not_the_patient() -> None:
    kept = opened(samples.referral()).core_properties
    assert kept.title == "Referral to the eye department (unsigned draft)"
    assert kept.author == "Mirjam Køhlerová, Lindmarsh Eye Rooms"
    assert kept.comments == kept.subject == kept.keywords == ""


def test_the_parts_of_a_table_stand_in_the_prescribed_order() -> None:
    order = ["tblStyle", "tblW", "jc", "tblLayout", "tblCellMar", "tblLook"]
    for table in opened(samples.signed()).element.body.iter(f"{W}tbl"):
        parts = [one.tag.removeprefix(W) for one in table.find(f"{W}tblPr")]
        assert parts == [one for one in order if one in parts]
        for cell in table.iter(f"{W}tcPr"):
            parts = [one.tag.removeprefix(W) for one in cell]
            assert parts == [one for one in ("tcW", "gridSpan", "vMerge", "tcBorders") if one in parts]


def test_characters_that_no_file_can_hold_do_no_harm() -> None:
    letter = replace(samples.signed(), opening=(Said("one\x00two & <three> \ud800"),))
    assert "one\ufffdtwo & <three> \ufffd" in list(texts(opened(letter)))


def test_an_empty_letter_can_be_opened() -> None:
    nobody = Party()
    bare = Letter("referral", "Letter", nobody, nobody, nobody, "", "", "", (), (), "", "", "", "")
    assert styled(opened(bare), "Title") == ["Letter"]


def test_the_styles_of_a_template_of_the_users_are_kept(tmp_path: Path) -> None:
    own = docx.Document()
    own.styles["Heading 2"].font.name = "Georgia"
    own.add_paragraph("left over")
    own.save(tmp_path / "letter.docx")
    made = opened(samples.signed(), tmp_path / "letter.docx")
    assert made.styles["Heading 2"].font.name == "Georgia"
    assert "left over" not in list(texts(made))


def test_a_template_that_is_no_docx_is_named(tmp_path: Path) -> None:
    own = tmp_path / "letter.docx"
    own.write_text("no")
    with pytest.raises(TemplateError, match=r"letter\.docx: not a DOCX file"):
        to_docx(samples.signed(), own)
