"""A letter as a word processor's file (DOCX), made of named styles so that it is easily edited and restyled."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dictate.letters.clean import cleaned
from dictate.letters.model import Figure, Finding, Letter, Party, Said
from dictate.letters.pdf import FITS, TemplateError, fit, to_png

if TYPE_CHECKING:
    from docx.document import Document as Docx

FONT = "Arial"
INK, QUIET, ACCENT, WARN, HAIR = "22262B", "55565A", "4B3F8F", "8A4B00", "C9C5BA"
PAGES = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
"""Width and height of the paper in millimetres."""

MARGIN = 20.0
URGENCIES = {"same_day": "Same day", "urgent": "Urgent", "soon": "Soon", "routine": "Routine"}
NO_SIDE = "no side named: "
NOT_STATED = "not stated"
OUTSIDE = "* outside the usual range, or not normal"
_COLUMNS = (0.38, 0.31, 0.31)


def to_docx(letter: Letter, template: Path | None = None) -> bytes:
    """The letter as DOCX; the styles of `template`, a DOCX file, take the place of the shipped ones. Raises TemplateError."""
    return _Writer(cleaned(letter), template).bytes()


class _Writer:
    """Writes one letter, from head to foot."""

    def __init__(self, letter: Letter, template: Path | None) -> None:
        self.letter = letter
        self.level = FITS.index(fit(letter))
        self.size = (10.5 if letter.kind == "patient" else 10) - (0, 0.5, 1)[self.level]
        self.step = (8.0, 6.0, 4.0)[self.level]
        self.width = PAGES[letter.paper][0] - 2 * MARGIN
        self.docx = _opened(template)
        self.own = template is not None

    def bytes(self) -> bytes:
        self._prepare()
        self._head()
        self._body()
        self._foot()
        held = BytesIO()
        self.docx.save(held)
        return held.getvalue()

    # ---- page, styles, what stands on every page ----

    def _prepare(self) -> None:
        letter = self.letter
        kept = self.docx.core_properties
        kept.title = letter.title + (f" ({letter.draft})" if letter.draft else "")
        kept.author = ", ".join(filter(None, (letter.clinician.name, letter.clinic.name)))
        kept.created = kept.modified = datetime.now(UTC).replace(tzinfo=None)  # kept as UTC, without a zone
        kept.language, kept.comments, kept.subject, kept.keywords = "en", "", "", ""
        _styles(self.docx, self.size, self.step, keep=self.own)
        self._page()

    def _page(self) -> None:
        from docx.shared import Mm

        letter, section = self.letter, self.docx.sections[0]
        section.page_width, section.page_height = (Mm(one) for one in PAGES[letter.paper])
        section.left_margin = section.right_margin = section.top_margin = Mm(MARGIN)
        section.bottom_margin = Mm(22)
        section.header_distance, section.footer_distance = Mm(9), Mm(9)
        section.different_first_page_header_footer = True
        again = "  ·  ".join(filter(None, (letter.reference, letter.date)))
        self._page_head(section.first_page_header, "")
        self._page_head(section.header, again)
        for foot in (section.first_page_footer, section.footer):
            self._page_foot(foot)

    def _page_head(self, head: Any, text: str) -> None:
        line = head.paragraphs[0]
        line.style = self.docx.styles["Header"]
        _right_tab(line, self.width)
        line.add_run(text)
        if self.letter.draft:
            line.add_run("\t")
            mark = line.add_run(self.letter.draft)
            mark.style = self.docx.styles["Draft Mark"]

    def _page_foot(self, foot: Any) -> None:
        lines = [one for one in (self.letter.caution, self.letter.made_from) if one] or [""]
        for number, text in enumerate(lines):
            line = foot.paragraphs[0] if number == 0 else foot.add_paragraph()
            line.style = self.docx.styles["Footer"]
            if number == 0:
                _edge(line, "top", HAIR, 4)
            line.add_run(text)
        _right_tab(line, self.width)
        line.add_run("\tPage ")
        _field(line, "PAGE")
        line.add_run(" of ")
        _field(line, "NUMPAGES")

    # ---- head ----

    def _head(self) -> None:
        letter = self.letter
        clinic = [one for one in (letter.clinic.role, *letter.clinic.lines) if one]
        if letter.clinic.name or clinic:
            left, right = self._beside(0.6)
            _paragraph(left, letter.clinic.name, "Clinic")
            _paragraph(right, "\n".join(clinic), "Clinic Address")
            _edge(self._add("", "Rule"), "bottom", ACCENT, 6)
        left, right = self._beside(0.7)
        _paragraph(left, _lines(letter.recipient), "Letter Address")
        _paragraph(right, letter.date, "Letter Date")
        title = self._add(letter.title, "Title")
        urgency = URGENCIES.get(letter.urgency, "") if letter.kind == "referral" else ""
        if urgency:
            _right_tab(title, self.width)
            title.add_run("\t")
            title.add_run(urgency).style = self.docx.styles["Urgency"]
        if letter.reference:
            self._add(letter.reference, "Patient Line")
        if letter.greeting:
            self._add(letter.greeting, "Normal")
        self._paragraph(letter.opening)

    def _beside(self, share: float) -> tuple[Any, Any]:
        """Two cells beside each other, without lines: the left one takes this share."""
        from docx.enum.table import WD_TABLE_ALIGNMENT

        table = self.docx.add_table(rows=1, cols=2)
        table.alignment = WD_TABLE_ALIGNMENT.LEFT
        _widths(table, (self.width * share, self.width * (1 - share)))
        _insets(table, 0, 0)
        return table.rows[0].cells[0], table.rows[0].cells[1]

    # ---- body ----

    def _body(self) -> None:
        letter = self.letter
        tables = [one for one in letter.sections if one.findings]
        for section in letter.sections:
            if section.title:
                self._add(section.title, "Heading 2")
            if section.findings:
                self._findings(section.findings)
            if section.listed:
                for point in _said(section.points):
                    self._add(point, "List Bullet")
            else:
                self._paragraph(section.points)
            if tables and section is tables[-1]:
                self._figures(letter.figures)
        if not tables:
            self._figures(letter.figures)

    def _paragraph(self, points: Sequence[Said]) -> None:
        text = " ".join(_said(points))
        if text:
            self._add(text, "Normal")

    def _findings(self, findings: Sequence[Finding]) -> None:
        table = self.docx.add_table(rows=0, cols=3)
        _widths(table, [self.width * share for share in _COLUMNS])
        _insets(table, 0, 1.6)
        sided = any(map(_sided, findings))
        self._table_head(table, ("Finding", "Right", "Left") if sided else ("Finding", "Result"))
        mixed = len({one.outside for one in findings}) == 2
        for one in findings:
            self._finding(table, one, mixed)
        if mixed:
            self._add(OUTSIDE, "Table Note")
        else:
            self._add("", "Rule")

    def _table_head(self, table: Any, titles: Sequence[str]) -> None:
        from docx.enum.text import WD_ALIGN_PARAGRAPH

        row = table.add_row()
        _mark_row(row, "w:tblHeader", "w:cantSplit")
        sided = len(titles) == 3
        cells = row.cells if sided else (row.cells[0], row.cells[1].merge(row.cells[2]))
        for cell, title in zip(cells, titles, strict=True):
            _paragraph(cell, title, "Table Head").paragraph_format.keep_with_next = True
            _cell_edge(cell)
        if not sided:
            cells[1].paragraphs[0].alignment = WD_ALIGN_PARAGRAPH.CENTER

    def _finding(self, table: Any, one: Finding, mixed: bool) -> None:
        """The lines of a finding: right and left, what has no side, the remark; all on one page."""
        rows = []
        if _sided(one):
            rows.append(self._sides(table, one))
        if one.single.text:
            rows.append(self._wide(table, (NO_SIDE if _sided(one) else "") + one.single.text, "Table Middle"))
        if one.remark.text:
            rows.append(self._wide(table, one.remark.text, "Table Remark"))
        outside = mixed and one.outside
        _paragraph(rows[0][0], "", "Table Text").add_run(one.title + ("*" if outside else "")).bold = outside or None
        for cells in rows[:-1]:
            for cell in cells:
                cell.paragraphs[0].paragraph_format.keep_with_next = True
        for cell in rows[-1]:
            _cell_edge(cell)

    def _sides(self, table: Any, one: Finding) -> list[Any]:
        row = table.add_row()
        _mark_row(row, "w:cantSplit")
        for cell, side in zip(row.cells[1:], (one.right, one.left), strict=True):
            words = _paragraph(cell, "", "Table Text").add_run(side.text or NOT_STATED)
            if not side.text:
                words.style = self.docx.styles["Quiet"]
        return list(row.cells)

    def _wide(self, table: Any, text: str, style: str) -> list[Any]:
        row = table.add_row()
        _mark_row(row, "w:cantSplit")
        cells = [row.cells[0], row.cells[1].merge(row.cells[2])]
        _paragraph(cells[0], "", style)
        _paragraph(cells[1], text, style)
        return cells

    def _figures(self, figures: Sequence[Figure]) -> None:
        if not figures:
            return
        from docx.enum.table import WD_TABLE_ALIGNMENT

        across = min(2, len(figures))
        table = self.docx.add_table(rows=0, cols=across)
        table.alignment = WD_TABLE_ALIGNMENT.CENTER
        _widths(table, [self.width / 2] * across)
        wide = (80.0, 72.0, 62.0)[self.level]
        for start in range(0, len(figures), across):
            row = table.add_row()
            _mark_row(row, "w:cantSplit")
            for cell, figure in zip(row.cells, figures[start : start + across], strict=False):
                self._figure(cell, figure, wide)

    def _figure(self, cell: Any, figure: Figure, wide: float) -> None:
        from docx.shared import Mm

        line = _paragraph(cell, "", "Figure")
        shape = line.add_run().add_picture(BytesIO(to_png(figure.svg)), width=Mm(wide))
        named = shape._inline.docPr
        named.set("descr", figure.text)
        named.set("title", figure.title)
        cell.add_paragraph(figure.title, style="Caption")

    # ---- foot of the letter ----

    def _foot(self) -> None:
        letter, party = self.letter, self.letter.clinician
        if letter.closing and self.docx.paragraphs:  # a signature never stands alone on a page
            self.docx.paragraphs[-1].paragraph_format.keep_with_next = True
        lines = [("Closing", letter.closing), ("Signature Name", party.name)]
        lines += [("Signature", "\n".join(one for one in (party.role, *party.lines) if one)), ("Signed", letter.signed)]
        shown = [(style, text) for style, text in lines if text]
        for number, (style, text) in enumerate(shown, 1):
            self._add(text, style).paragraph_format.keep_with_next = number < len(shown)

    def _add(self, text: str, style: str) -> Any:
        return self.docx.add_paragraph(text, style=style)


# ---- styles -----------------------------------------------------------------------------------------


def _opened(template: Path | None) -> Docx:
    from docx import Document

    if template is None:
        return Document()
    try:
        docx = Document(str(template))
    except Exception as error:  # whatever a damaged file makes of it
        raise TemplateError(f"{template}: not a DOCX file that can be read ({error})") from None
    body = docx.element.body
    for part in list(body):
        if not part.tag.endswith("}sectPr"):
            body.remove(part)
    return docx


def _styles(docx: Docx, size: float, step: float, *, keep: bool) -> None:
    """Each style that a letter needs; those that a template of the user's has stay as they are if `keep`."""
    small = size - 1.5
    looks: dict[str, dict[str, Any]] = {
        "Normal": {"size": size, "after": step * 0.75, "line": 1.12},
        "Clinic": {"size": size + 6, "bold": True, "color": ACCENT},
        "Clinic Address": {"size": small, "color": QUIET, "right": True, "line": 1.1},
        "Rule": {"size": 2, "after": step * 1.5, "line": 1.0},
        "Letter Address": {"size": size, "line": 1.12},
        "Letter Date": {"size": size, "right": True},
        "Title": {"size": size + 4, "bold": True, "before": step * 2, "after": step * 0.4, "next": True},
        "Patient Line": {"size": size, "bold": True, "after": step * 1.4, "next": True},
        "Heading 2": {
            "size": size + 0.5,
            "bold": True,
            "color": ACCENT,
            "before": step * 1.3,
            "after": step * 0.45,
            "next": True,
        },
        "List Bullet": {"size": size, "indent": 5, "after": step * 0.25, "line": 1.08},
        "Table Head": {"size": small, "bold": True, "color": QUIET, "before": 1.5, "after": 1.5},
        "Table Text": {"size": size, "before": step * 0.22, "after": step * 0.22},
        "Table Middle": {"size": size, "before": step * 0.22, "after": step * 0.22, "center": True},
        "Table Remark": {"size": small, "color": QUIET, "after": step * 0.25},
        "Table Note": {"size": small, "color": QUIET, "before": 2, "after": step},
        "Figure": {"size": size, "before": step * 0.5, "after": 1, "center": True, "next": True},
        "Caption": {"size": small, "color": QUIET, "after": step * 0.5, "center": True},
        "Closing": {"size": size, "before": step * 1.2, "after": step * 4.5},
        "Signature Name": {"size": size, "bold": True},
        "Signature": {"size": size, "line": 1.12},
        "Signed": {"size": small, "color": QUIET, "before": step * 0.5},
        "Header": {"size": 8, "color": QUIET},
        "Footer": {"size": 7.5, "color": QUIET, "line": 1.1},
    }
    for name, look in looks.items():
        _style(docx, name, keep, **look)
    _style(docx, "Quiet", keep, character=True, color=QUIET)
    _style(docx, "Draft Mark", keep, character=True, size=10, bold=True, color=WARN)
    _style(docx, "Urgency", keep, character=True, size=size, bold=True, color=ACCENT)


def _style(docx: Docx, name: str, keep: bool, *, character: bool = False, **look: Any) -> None:
    from docx.enum.style import WD_STYLE_TYPE

    kind = WD_STYLE_TYPE.CHARACTER if character else WD_STYLE_TYPE.PARAGRAPH
    if name in [style.name for style in docx.styles]:
        if keep:
            return
        style: Any = docx.styles[name]
    else:
        style = docx.styles.add_style(name, kind)
        style.quick_style = True
    _font(style, look, character=character)
    if not character:
        _spacing(style, look)


def _font(style: Any, look: dict[str, Any], *, character: bool) -> None:
    from docx.oxml.ns import qn
    from docx.shared import Pt, RGBColor

    font = style.font
    if "size" in look:
        font.size = Pt(look["size"])
    font.bold = look.get("bold", None if character else False)
    font.italic = None if character else False
    font.color.rgb = RGBColor.from_string(look.get("color", INK))
    if character:
        return
    for spread in ("spacing", "kern"):
        for part in style.element.rPr.findall(f"{{*}}{spread}"):
            style.element.rPr.remove(part)
    font.name = FONT
    fonts = style.element.rPr.rFonts
    for script in ("w:hAnsi", "w:cs", "w:eastAsia"):
        fonts.set(qn(script), FONT)
    for theme in ("w:asciiTheme", "w:hAnsiTheme", "w:eastAsiaTheme", "w:cstheme"):
        fonts.attrib.pop(qn(theme), None)


def _spacing(style: Any, look: dict[str, Any]) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm, Pt

    layout = style.paragraph_format
    layout.space_before, layout.space_after = Pt(look.get("before", 0)), Pt(look.get("after", 0))
    layout.line_spacing = look.get("line", 1.0)
    layout.keep_with_next = look.get("next", False)
    layout.widow_control = True
    if look.get("right"):
        layout.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    if look.get("center"):
        layout.alignment = WD_ALIGN_PARAGRAPH.CENTER
    layout.left_indent, layout.first_line_indent = Mm(look.get("indent", 0)), Mm(-look.get("indent", 0))
    for kept in ("pBdr", "tabs", "contextualSpacing"):
        for part in style.element.pPr.findall(f"{{*}}{kept}"):
            style.element.pPr.remove(part)


# ---- what the library has no words for ------------------------------------------------------------------


def _paragraph(cell: Any, text: str, style: str) -> Any:
    """The cell's first paragraph, with a style and words."""
    line = cell.paragraphs[0]
    line.style = cell.part.document.styles[style]
    if text:
        line.add_run(text)
    return line


def _sided(one: Finding) -> bool:
    """Whether the finding has values of sides, or none at all, which is then said of both."""
    return bool(one.right.text or one.left.text or not one.single.text)


def _said(points: Iterable[Said]) -> list[str]:
    return [one.text for one in points if one.text]


def _lines(party: Party) -> str:
    return "\n".join(one for one in (party.name, party.role, *party.lines) if one)


def _right_tab(line: Any, width: float) -> None:
    from docx.enum.text import WD_TAB_ALIGNMENT
    from docx.shared import Mm

    line.paragraph_format.tab_stops.add_tab_stop(Mm(width), WD_TAB_ALIGNMENT.RIGHT)


def _widths(table: Any, widths: Sequence[float]) -> None:
    from docx.shared import Mm

    table.autofit = False
    for column, width in zip(table.columns, widths, strict=True):
        column.width = Mm(width)
        for cell in column.cells:
            cell.width = Mm(width)


def _insets(table: Any, left: float, right: float) -> None:
    """The room between the edges of a cell and its words, in millimetres."""
    sides = {"top": 0.0, "left": left, "bottom": 0.0, "right": right}
    margins = _element("w:tblCellMar")
    for side, wide in sides.items():
        margins.append(_element(f"w:{side}", w=str(round(wide * 56.7)), type="dxa"))
    properties = table._tbl.tblPr
    look = properties.find(f"{{{properties.nsmap['w']}}}tblLook")  # the order of the parts is prescribed
    if look is None:
        properties.append(margins)
    else:
        look.addprevious(margins)


def _mark_row(row: Any, *marks: str) -> None:
    for mark in marks:
        row._tr.get_or_add_trPr().append(_element(mark))


def _cell_edge(cell: Any) -> None:
    """A hairline below the cell."""
    edges = _element("w:tcBorders")
    edges.append(_element("w:bottom", val="single", sz="4", space="0", color=HAIR))
    cell._tc.get_or_add_tcPr().append(edges)


def _edge(line: Any, side: str, color: str, eighths: int) -> None:
    """A line above or below a paragraph, in eighths of a point."""
    edges = _element("w:pBdr")
    edges.append(_element(f"w:{side}", val="single", sz=str(eighths), space="4", color=color))
    line._p.get_or_add_pPr().insert_element_before(
        edges, "w:shd", "w:tabs", "w:spacing", "w:ind", "w:jc", "w:rPr", "w:sectPr"
    )


def _field(line: Any, name: str) -> None:
    """A number that the word processor fills in."""
    for kind in ("begin", "", "separate", "shown", "end"):
        run = line.add_run("1" if kind == "shown" else "")
        if kind == "":
            words = _element("w:instrText")
            words.text = f" {name} "
            run._r.append(words)
        elif kind != "shown":
            run._r.append(_element("w:fldChar", fldCharType=kind))


def _element(tag: str, **attributes: str) -> Any:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    made: Any = OxmlElement(tag)
    for name, value in attributes.items():
        made.set(qn(f"w:{name}"), value)
    return made
