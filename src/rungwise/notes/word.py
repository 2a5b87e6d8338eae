"""A note as a DOCX file: headings, lists and tables by style, so that it can be edited."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING, Any

from rungwise.core.note import Line, Note, Table
from rungwise.notes.texts import load_lexicon, marked, shares

if TYPE_CHECKING:
    from docx.document import Document

__all__ = ["to_docx"]

#: Millimetres of the margins, and points of the type.
MARGIN, SIZE, SMALL = 20, 10, 8.5
#: Width and height of each paper [mm].
PAPERS = {"a4": (210, 297), "us-letter": (215.9, 279.4)}


def to_docx(note: Note, paper: str = "a4", stamp: datetime | None = None) -> bytes:
    """Lay a note out as a DOCX file.

    Parameters
    ----------
    note : Note
        The note.
    paper : {"a4", "us-letter"}
        Paper.
    stamp : datetime, optional
        Time of making written into the file; the start of the note's day by default.
    """
    import docx
    from docx.shared import Mm, Pt

    made = docx.Document()
    stamp = stamp or datetime.combine(note.on, time(), UTC)
    _properties(made, note, stamp)
    section = made.sections[0]
    section.page_width, section.page_height = map(Mm, PAPERS[paper])
    section.left_margin = section.right_margin = Mm(MARGIN)
    section.top_margin = section.bottom_margin = Mm(MARGIN)
    normal: Any = made.styles["Normal"]
    normal.font.name, normal.font.size = "Calibri", Pt(SIZE)
    normal.paragraph_format.space_after = Pt(2)
    for level, size in ((1, 16), (2, 12)):
        style: Any = made.styles[f"Heading {level}"]
        style.font.size, style.font.name = Pt(size), "Calibri"
        _black(style)
    made.add_heading(note.title, 1)
    for part in note.sections:
        made.add_heading(part.heading, 2)
        for one in part.parts:
            if isinstance(one, Line):
                _line(made, marked(one.text, one.marks), part.listed)
            else:
                _table(made, one, section.page_width - 2 * Mm(MARGIN))
    for heading, lines in zip(note.headings, (note.reasons, note.sources), strict=True):
        if lines:
            made.add_heading(heading, 2)
            for line in lines:
                _small(made.add_paragraph(), line)
    _footer(section, note)
    kept = io.BytesIO()
    made.save(kept)
    return _dated(kept, stamp)


def _dated(packed: io.BytesIO, stamp: datetime) -> bytes:
    """The same package with one time on all of its parts."""
    made = io.BytesIO()
    with zipfile.ZipFile(packed) as parts, zipfile.ZipFile(made, "w") as dated:
        for part in parts.infolist():
            info = zipfile.ZipInfo(part.filename, stamp.timetuple()[:6])
            info.compress_type = zipfile.ZIP_DEFLATED
            dated.writestr(info, parts.read(part))
    return made.getvalue()


def _properties(made: Document, note: Note, stamp: datetime) -> None:
    told = made.core_properties
    told.title = note.title
    told.author = told.last_modified_by = "rungwise"
    told.comments = told.keywords = ""
    told.language = {"en": "en-US"}.get(note.language, note.language)
    told.created = told.modified = stamp.astimezone(UTC).replace(tzinfo=None, microsecond=0)


def _black(style: Any) -> None:
    from docx.shared import RGBColor

    style.font.color.rgb = RGBColor(0x11, 0x11, 0x11)


def _line(made: Document, text: str, listed: bool) -> None:
    from docx.shared import Pt

    paragraph = made.add_paragraph(text, style="List Bullet" if listed else "Normal")
    paragraph.paragraph_format.space_after = Pt(1 if listed else 4)


def _small(paragraph: Any, text: str) -> None:
    from docx.shared import Pt

    paragraph.add_run(text).font.size = Pt(SMALL)
    paragraph.paragraph_format.space_after = Pt(1)


def _table(made: Document, table: Table, width: int) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Emu

    grid: Any = made.add_table(rows=1, cols=len(table.head))
    grid.style, grid.autofit = "Table Grid", False
    _fill(grid.rows[0].cells, table.head, True)
    again = OxmlElement("w:tblHeader")
    again.set(qn("w:val"), "true")
    grid.rows[0]._tr.get_or_add_trPr().append(again)  # noqa: SLF001  (the library has no verb)
    for row in table.rows:
        cells = [*row.cells[:-1], marked(row.cells[-1], row.marks)]
        _fill(grid.add_row().cells, cells)
    parts = shares(table)
    for i, part in enumerate(parts):
        grid.columns[i].width = Emu(width * part // sum(parts))
        for cell in grid.columns[i].cells:
            cell.width = grid.columns[i].width
    for row in grid.rows:
        whole = OxmlElement("w:cantSplit")
        row._tr.get_or_add_trPr().append(whole)  # noqa: SLF001
    made.add_paragraph()


def _fill(cells: Sequence[Any], texts: Sequence[str], bold: bool = False) -> None:
    from docx.shared import Pt

    for cell, text in zip(cells, texts, strict=True):
        run = cell.paragraphs[0].add_run(text)
        run.font.size, run.bold = Pt(SIZE - 1), bold
        cell.paragraphs[0].paragraph_format.space_after = Pt(0)


def _footer(section: Any, note: Note) -> None:
    """What stands below each page, with the page's number."""
    paragraph = section.footer.paragraphs[0]
    _small(paragraph, f"{note.title}, {note.label}, {note.on}. {' '.join(note.foot)} ")
    before, _, rest = load_lexicon(note.language).at("page").partition("{page}")
    middle, _, after = rest.partition("{pages}")
    for text, field in ((before, "PAGE"), (middle, "NUMPAGES")):
        _small(paragraph, text)
        _field(paragraph, field)
    _small(paragraph, after)


def _field(paragraph: Any, name: str) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Pt

    run = paragraph.add_run()
    run.font.size = Pt(SMALL)
    for kind in ("begin", "instr", "end"):
        if kind == "instr":
            part: Any = OxmlElement("w:instrText")
            part.set(qn("xml:space"), "preserve")
            part.text = name
        else:
            part = OxmlElement("w:fldChar")
            part.set(qn("w:fldCharType"), kind)
        run._r.append(part)  # noqa: SLF001
