"""All tables as one workbook: a sheet a table, and a legend of every column."""

from __future__ import annotations

import math
import numbers
import re
from collections.abc import Mapping, Sequence
from io import BytesIO
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from morpho.report.packing import steady_office, xml_text
from morpho.results.tables import JOINED, TABLES

__all__ = ["meaning_of", "sheet_names", "workbook"]

LEGEND, _DESCRIBED = "legend", TABLES | JOINED

# Limits of the format: length of a sheet's name, rows of a sheet, characters of a cell.
_LONGEST_NAME, _MOST_ROWS, _LONGEST_TEXT = 31, 1_048_576, 32_767
_CUT = " … (cut; the CSV has all of it)"
# A spreadsheet that is asked to edit such a text would take it for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
# In these files _x0041_ stands for the letter A.
_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
_WIDEST, _NARROWEST, _LOOKED_AT = 60, 8, 300


def sheet_names(names: Sequence[str]) -> list[str]:
    """Names that sheets can have: legal, at most 31 characters, no two alike.

    Examples
    --------
    >>> sheet_names(["sizes", "Sizes", "a/b", "history"])
    ['sizes', 'Sizes 2', 'a_b', 'history 2']
    """
    taken = {"history"}  # spreadsheet programs keep this one for themselves
    result = []
    for name in names:
        plain = re.sub(r"[\[\]:*?/\\\x00-\x1f]", "_", xml_text(name)).strip("' ") or "sheet"
        found, number = plain[:_LONGEST_NAME].rstrip("' "), 1
        while found.casefold() in taken:
            number += 1
            ending = f" {number}"
            found = plain[: _LONGEST_NAME - len(ending)].rstrip("' ") + ending
        taken.add(found.casefold())
        result.append(found)
    return result


def meaning_of(table: str, column: str) -> str:
    """What a column means."""
    about = _DESCRIBED.get(table)
    found = about.column(column) if about else None
    if found is None and column == "element":  # of tables that were stacked
        return "element (bone) of the row"
    return found.meaning if found else ""


def _text_cell(sheet: WriteOnlyWorksheet, text: str) -> Any:
    """A cell that is text whatever it looks like."""
    shown = _ESCAPE.sub("_x005F_", xml_text(text))
    if len(shown) > _LONGEST_TEXT:
        shown = shown[: _LONGEST_TEXT - len(_CUT)] + _CUT
    cell = WriteOnlyCell(sheet, shown)
    cell.data_type = "s"
    if shown.startswith(_FORMULA):
        cell.quotePrefix = True
    return cell


def _cell(sheet: WriteOnlyWorksheet, value: Any) -> Any:
    if isinstance(value, str):
        return _text_cell(sheet, value) if value else None
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, numbers.Integral):
        # beyond these a spreadsheet rounds without saying so
        return int(value) if abs(int(value)) < 2**53 else _text_cell(sheet, str(value))
    if isinstance(value, numbers.Real):
        number = float(value)
        if math.isnan(number):
            return None
        return number if math.isfinite(number) else _text_cell(sheet, str(number))
    return _text_cell(sheet, str(value))


def _fill(sheet: WriteOnlyWorksheet, head: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """Write a header that stays in sight, and the rows below it."""

    def length(value: Any) -> int:
        return len(f"{value:.9g}" if isinstance(value, float) else str(value))

    for i, name in enumerate(head):
        seen = [len(name), *(length(row[i]) for row in rows[:_LOOKED_AT])]
        width = min(_WIDEST, max(_NARROWEST, *seen) + 2)
        sheet.column_dimensions[get_column_letter(i + 1)].width = width
    sheet.freeze_panes = "A2"
    titles = [_text_cell(sheet, name) for name in head]
    for cell in titles:
        cell.font = Font(bold=True)
    sheet.append(titles)
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])
    if head:
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(head))}{len(rows) + 1}"


def _legend_rows(
    sheets: Mapping[str, str], tables: Mapping[str, pd.DataFrame]
) -> list[tuple[str, str, str]]:
    rows = []
    for name, table in tables.items():
        about = _DESCRIBED[name].meaning if name in _DESCRIBED else ""
        if len(table) >= _MOST_ROWS:
            about = f"{about} Too long for a sheet ({len(table)} rows): see the CSV.".strip()
        rows.append((sheets[name], "", about))
        columns = map(str, table.columns)
        rows += [(sheets[name], column, meaning_of(name, column)) for column in columns]
    return rows


def workbook(tables: Mapping[str, pd.DataFrame], *, title: str, notice: str = "") -> bytes:
    """Write tables as one XLSX: a legend first, then a sheet a table.

    Text is written as text, so that a name such as ``=cmd()`` is never taken for a formula;
    numbers are numbers, in full; a missing value is an empty cell.
    """
    book = Workbook(write_only=True)
    book.properties.title = xml_text(title)
    book.properties.creator = "formkin"
    names = sheet_names([LEGEND, *tables])
    sheets = dict(zip(tables, names[1:], strict=True))
    rows = _legend_rows(sheets, tables)
    rows += [("", "", text) for text in (title, notice) if text]
    _fill(book.create_sheet(names[0]), ["sheet", "column", "meaning"], rows)
    for name, table in tables.items():
        sheet = book.create_sheet(sheets[name])
        body = table.astype(object).to_numpy().tolist() if len(table) < _MOST_ROWS else []
        _fill(sheet, [str(column) for column in table.columns], body)
    result = BytesIO()
    book.save(result)
    return steady_office(result.getvalue(), "the workbook")
