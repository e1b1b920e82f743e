"""Letters as PDF: every word is there, on the right paper, marked and numbered on each page, and readable by a screen reader."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from dictate.letters.model import Figure, Letter, Said
from dictate.letters.pdf import TemplateError, fit, to_pdf, to_png
from letters import samples

pypdf = pytest.importorskip("pypdf")
pytest.importorskip("typst")


def pages(data: bytes) -> list[str]:
    """The words of each page, with single blanks."""
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(BytesIO(data)).pages]


def words(letter: Letter) -> Iterator[str]:
    """Every text that a reader is to see."""
    for party in (letter.clinic, letter.recipient, letter.clinician):
        yield from (party.name, party.role, *party.lines)
    yield from (letter.title, letter.date, letter.reference, letter.greeting, letter.closing, letter.signed)
    yield from (letter.caution, letter.made_from, letter.draft, *(one.text for one in letter.opening))
    for section in letter.sections:
        yield section.title
        yield from (one.text for one in section.points)
        for one in section.findings:
            yield from (one.title, one.right.text, one.left.text, one.single.text, one.remark.text)


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("make", [samples.referral, samples.signed, samples.patient, samples.long])
def test_every_word_of_the_letter_is_in_it(make: Any) -> None:
    letter = make()
    text = squeezed("".join(pages(to_pdf(letter))))
    for one in words(letter):
        assert squeezed(one) in text, one


def test_the_findings_stand_right_before_left() -> None:
    text = pages(to_pdf(samples.signed()))[0]
    assert "Finding Right Left Visual acuity, unaided 6/6 6/9" in text
    assert "Rim thinning* not stated present, inferotemporal" in text
    assert "Eye movements full, without double vision" in text
    assert "Cup-disc ratio* 0.3 0.7 larger on the left by 0.4" in text


def test_what_has_no_side_is_not_taken_for_the_right() -> None:
    assert (
        "Cranial nerve* impaired VIII not stated no side named: intact II to VII"
        in pages(to_pdf(samples.both_ways()))[0]
    )
    reader = pypdf.PdfReader(BytesIO(to_pdf(samples.signed())))
    lines = reader.pages[0].extract_text(extraction_mode="layout").splitlines()
    head = next(line for line in lines if line.split() == ["Finding", "Right", "Left"])
    row = next(line for line in lines if "full, without" in line)
    assert row.index("full, without") > head.index("Right") + 5


def test_the_star_is_told_only_where_it_tells_something() -> None:
    mixed = "".join(pages(to_pdf(samples.signed())))
    assert mixed.count("* outside the usual range, or not normal") == 1 and "Cup-disc ratio*" in mixed
    letter = samples.signed()
    only = tuple(one for one in samples.findings() if one.outside)
    alike = replace(letter, sections=(replace(letter.sections[0], findings=only), *letter.sections[1:]))
    assert "*" not in "".join(pages(to_pdf(alike)))


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("us-letter", (215.9, 279.4))])
def test_the_paper_is_the_one_that_was_set(paper: Any, size: tuple[float, float]) -> None:
    box = pypdf.PdfReader(BytesIO(to_pdf(replace(samples.signed(), paper=paper)))).pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size, abs=0.1)


def test_an_unsigned_letter_says_so_on_every_page_and_in_its_title() -> None:
    data = to_pdf(replace(samples.long(), draft=samples.DRAFT))
    told = pages(data)
    assert len(told) > 1 and all(samples.DRAFT in page for page in told)
    assert pypdf.PdfReader(BytesIO(data)).metadata.title.endswith("(unsigned draft)")
    assert samples.DRAFT not in "".join(pages(to_pdf(samples.long())))


def test_further_pages_name_the_patient_repeat_the_head_of_the_table_and_are_counted() -> None:
    letter = samples.long()
    told = pages(to_pdf(letter))
    for number, page in enumerate(told, 1):
        assert f"Page {number} of {len(told)}" in page and letter.made_from in page
    assert all(letter.reference in page for page in told[1:])
    assert "Finding Right Left" in told[0] and "Finding Right Left" in told[1]
    assert letter.caution in told[0]


def test_the_signature_never_stands_alone_on_a_page() -> None:
    letter = samples.signed()
    points = [Said(f"Point {number} of those that are asked for, in words that take a line.") for number in range(60)]
    for count in range(8, 56, 6):
        asked = replace(letter.sections[3], points=tuple(points[:count]))
        last = pages(to_pdf(replace(letter, figures=(), sections=(*letter.sections[:3], asked))))[-1]
        assert f"Point {count - 1} " in last and letter.closing in last, count


def test_a_heading_never_ends_a_page() -> None:
    letter = samples.signed()
    points = [Said(f"Point {number} of those that are asked for, in words that take a line.") for number in range(60)]
    asked = letter.sections[3]
    for count in range(24, 46, 2):
        first = replace(asked, title="Before", points=tuple(points[:count]))
        second = replace(asked, title="Heading", points=tuple(points[:9]))
        made = pages(to_pdf(replace(letter, figures=(), sections=(first, second))))
        for page in made:
            assert "Heading" not in page or "Heading • Point 0" in page, count


def test_a_letter_is_set_closer_only_where_that_saves_a_page() -> None:
    letter = samples.signed()
    short = replace(letter, figures=(), sections=letter.sections[:3])
    assert fit(short) == "easy" and len(pages(to_pdf(short))) == 1
    assert fit(letter) in ("close", "tight") and len(pages(to_pdf(letter))) == 1


def test_it_is_tagged_and_says_what_the_drawings_show() -> None:
    letter = samples.signed()
    reader = pypdf.PdfReader(BytesIO(to_pdf(letter)))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en")
    kinds, alternatives = set(), []
    seen: set[int] = set()

    def walk(part: Any) -> None:
        part = part.get_object() if hasattr(part, "get_object") else part
        if isinstance(part, list):
            for one in part:
                walk(one)
        elif isinstance(part, dict) and id(part) not in seen:
            seen.add(id(part))
            kinds.add(part.get("/S"))
            if "/Alt" in part:
                alternatives.append(str(part["/Alt"]))
            walk(part.get("/K", []))

    walk(root["/StructTreeRoot"])
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/L", "/Figure"} <= kinds
    assert alternatives == [one.text for one in letter.figures]


def test_signs_that_a_typesetter_could_take_for_commands_are_words() -> None:
    strange = 'C:\\x #let a = 1 $x^2$ *bold* _it_ <label> @ref [b] // -- "q" \' ~ ` & < > ½ ≥ µm −0.25 “”'
    letter = replace(samples.signed(), opening=(Said(strange),), figures=(), reference=strange, title=strange)
    assert squeezed(strange) in squeezed("".join(pages(to_pdf(letter))))


def test_a_word_wider_than_its_column_is_broken() -> None:
    letter = samples.signed()
    wide = replace(samples.findings()[0], right=Said("W" * 60))
    reader = pypdf.PdfReader(
        BytesIO(to_pdf(replace(letter, sections=(replace(letter.sections[0], findings=(wide,)),))))
    )
    lines = [line for line in reader.pages[0].extract_text().splitlines() if "WW" in line]
    assert len(lines) > 2 and sum(line.count("W") for line in lines) == 60


def test_letters_of_many_languages_are_kept() -> None:
    names = "Zoë Šťastná-Øverås Đặng Łukasz Çağrı Ővári Þóra Αθηνά Наталья"
    text = "".join(pages(to_pdf(replace(samples.signed(), reference=names))))
    assert squeezed(names) in squeezed(text)


def test_characters_that_no_file_can_hold_do_no_harm() -> None:
    letter = replace(samples.signed(), opening=(Said("one\x00two\x0bthree\ud800"),))
    assert "one\ufffdtwo" in "".join(pages(to_pdf(letter)))


def test_an_empty_letter_is_still_a_page() -> None:
    from dictate.letters.model import Party

    nobody = Party()
    bare = Letter("referral", "Letter", nobody, nobody, nobody, "", "", "", (), (), "", "", "", "")
    assert len(pages(to_pdf(bare))) == 1


def test_a_template_of_the_users_takes_the_place_of_ours(tmp_path: Path) -> None:
    own = tmp_path / "letter.typ"
    (tmp_path / "logo.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><circle r="4"/></svg>'
    )
    own.write_text(
        '#let l = json(bytes(sys.inputs.letter))\n#image("logo.svg")\nOurs: #l.title, #l.sections.at(0).findings.at(0).title'
    )
    assert "Ours: Referral to the eye department, Visual acuity, unaided" in pages(to_pdf(samples.signed(), own))[0]


@pytest.mark.parametrize("text", ["#let", "#json(bytes(sys.inputs.letter)).nothing", '#read("/../secret")'])
def test_a_template_that_cannot_be_used_is_named(tmp_path: Path, text: str) -> None:
    own = tmp_path / "letter.typ"
    own.write_text(text)
    (tmp_path.parent / "secret").write_text("x")
    with pytest.raises(TemplateError) as told:
        to_pdf(samples.signed(), own)
    assert str(told.value).startswith(f"{own}: ") and "\n" not in str(told.value)


def test_a_drawing_becomes_a_picture_of_its_shape() -> None:
    figure: Figure = samples.figures()[0]
    data = to_png(figure.svg, ppi=96)
    assert data.startswith(b"\x89PNG")
    wide, high = (int.from_bytes(data[at : at + 4], "big") for at in (16, 20))
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', figure.svg)
    assert box and (wide, high) == pytest.approx((float(box[1]), float(box[2])), abs=1)
