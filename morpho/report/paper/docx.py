"""Tables of the paper as one DOCX."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

import docx
from docx.document import Document
from docx.enum.section import WD_ORIENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Pt
from docx.table import Table

from morpho.report.packing import steady_office, xml_text
from morpho.report.paper.tables import ROUNDING, ManuscriptTable

__all__ = ["word_tables"]


def _rule(parent: Any, **sides: int) -> None:
    """Give a table or cell lines at some of its sides, and none at the others."""
    for side in ("top", "left", "bottom", "right", "insideH", "insideV"):
        line = OxmlElement(f"w:{side}")
        line.set(qn("w:val"), "single" if side in sides else "nil")
        if side in sides:
            line.set(qn("w:sz"), str(sides[side]))
        parent.append(line)


def _dress(table: Table, numeric: Sequence[bool]) -> None:
    """Set rules, type and alignment; the header comes again on each page."""
    borders = OxmlElement("w:tblBorders")
    _rule(borders, top=8, bottom=8)
    about = table._tbl.tblPr
    looks = about.find(qn("w:tblLook"))  # which the format wants last
    about.insert(len(about) if looks is None else about.index(looks), borders)
    for i, row in enumerate(table.rows):
        rules = row._tr.get_or_add_trPr()
        rules.append(OxmlElement("w:cantSplit"))
        if i == 0:
            rules.append(OxmlElement("w:tblHeader"))
        for cell, right in zip(row.cells, numeric, strict=True):
            if i == 0:
                edges = OxmlElement("w:tcBorders")
                _rule(edges, top=8, bottom=4)
                cell._tc.get_or_add_tcPr().append(edges)
            for paragraph in cell.paragraphs:
                paragraph.paragraph_format.space_after = Pt(0)
                if right:
                    paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
                for run in paragraph.runs:
                    run.font.size = Pt(8)
                    run.bold = i == 0


def _word_table(document: Document, number_: int, table: ManuscriptTable) -> None:
    caption = document.add_paragraph(style="Caption")
    caption.add_run(xml_text(f"Table {number_}. {table.caption}"))
    caption.paragraph_format.keep_with_next = True
    grid = document.add_table(rows=1 + len(table.rows), cols=len(table.head))
    for place, texts in zip(grid.rows, (table.head, *table.rows), strict=True):
        for cell, text in zip(place.cells, texts, strict=True):
            cell.paragraphs[0].add_run(xml_text(text))
    _dress(grid, table.numeric)
    document.add_paragraph()


def word_tables(tables: Sequence[ManuscriptTable], *, title: str, notice: str = "") -> bytes:
    """Write tables as one DOCX: a caption above each, its header again on each page."""
    document = docx.Document()
    about = document.core_properties
    # the format allows 255 characters here
    about.author, about.title, about.comments = "formkin", xml_text(title)[:255], ""
    page = document.sections[0]
    page.orientation = WD_ORIENT.LANDSCAPE
    page.page_width, page.page_height = page.page_height, page.page_width
    document.add_heading(xml_text(title), level=1)
    for text in (notice, ROUNDING):
        if text:
            document.add_paragraph(xml_text(text))
    for i, table in enumerate(tables):
        _word_table(document, i + 1, table)
    result = BytesIO()
    document.save(result)
    return steady_office(result.getvalue(), "the document of tables")
