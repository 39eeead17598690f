"""The workbook holds what the CSV hold, and nothing in it is ever a formula."""

import io
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings, strategies
from openpyxl.utils.escape import unescape

from morpho.report.packing import xml_text
from morpho.report.paper.tables import stacked
from morpho.report.paper.workbook import meaning_of, sheet_names, workbook
from morpho.results.columns import P_VALUE
from morpho.results.describing import Column, Table
from morpho.results.store import ElementResults
from morpho.results.tables import TABLES

HOSTILE = [
    "=cmd()", "+1", "-2", "@x", "<img src=x onerror=alert(1)>", "</script>", "#N/A", "#REF!",
    "TRUE", "1e5", "007", " in blanks ", "two\nlines", "\tTab", "_x0041_", "Größe 狐 🐭", "'quoted",
    '=HYPERLINK("x")', "2026-11-25",
]  # fmt: skip


def reread(content):
    """Cells of each sheet as texts of a CSV: what a reader of the XLSX sees."""
    book = openpyxl.load_workbook(io.BytesIO(content))
    return {sheet.title: [[cell for cell in row] for row in sheet.iter_rows()] for sheet in book}


def plain(cell):
    if cell.value is None:
        return ""
    return unescape(cell.value) if isinstance(cell.value, str) else cell.value


def same(cell, text):
    """Whether a cell of the XLSX is the cell of the CSV."""
    value = plain(cell)
    if isinstance(value, bool):
        return str(value) == text
    if isinstance(value, int | float):
        return float(text) == value
    return value == text


def test_the_workbook_equals_the_csv(tmp_path, monkeypatch):
    """Written as CSV, read as the report reads it, written as XLSX, read by openpyxl."""
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"specimen": HOSTILE, "reason": HOSTILE[::-1]})
    table["x"] = rng.normal(size=len(table)) * 10.0 ** rng.integers(-12, 12, len(table))
    table.loc[2, "x"] = np.nan
    table["used"] = rng.random(len(table)) < 0.5
    table["permutations"] = rng.integers(0, 10**6, len(table))
    kinds = ("text", "text", "number", "flag", "number")
    columns = tuple(Column(name, "", kind) for name, kind in zip(table, kinds, strict=True))
    monkeypatch.setitem(TABLES, "odd", Table("odd", "", "try", columns))
    results = ElementResults(tmp_path, "bone")
    results.write_table("odd", table)
    read = results.table("odd")
    cells = reread(workbook({"odd": read}, title="T"))["odd"]
    texts = pd.read_csv(
        results.folder / "tables" / "odd.csv", dtype=str, keep_default_na=False
    ).to_numpy()
    assert [plain(c) for c in cells[0]] == list(table.columns)
    assert len(cells) - 1 == len(texts)
    for row, wanted in zip(cells[1:], texts, strict=True):
        for cell, text in zip(row, wanted, strict=True):
            assert same(cell, text), (cell.value, text)
    # numbers are numbers and yes and no are that, not texts that look like them
    kinds = [[c.data_type for c in row] for row in cells[1:]]
    assert {row[2] for row in kinds} == {"n"}
    assert {row[3] for row in kinds} == {"b"}


@pytest.mark.parametrize("text", [*HOSTILE, "=1+1", "-A1", "@SUM(A1)", "\rx", "=cmd|' /C calc'!A0"])
def test_texts_are_never_formulas(text):
    """Neither on opening nor, thanks to the quote mark, once such a cell is edited."""
    content = workbook({text or "x": pd.DataFrame({text: [text]})}, title=text, notice=text)
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        for name in packed.namelist():
            assert b"<f>" not in packed.read(name), name
    for name, rows in reread(content).items():
        for row in rows:
            for cell in row:
                if cell.value is None:
                    continue
                assert cell.data_type == "s"
                if str(cell.value).startswith(("=", "+", "-", "@", "\t", "\r")):
                    assert cell.quotePrefix, (name, cell.value)


@settings(max_examples=60, deadline=None)
@given(strategies.lists(strategies.text(max_size=30), min_size=1, max_size=8))
def test_any_text_survives(texts):
    """But for signs that XML cannot hold, which are spelt out, and line ends, which XML evens."""
    cells = reread(workbook({"t": pd.DataFrame({"reason": texts})}, title=""))["t"]
    told = [plain(row[0]) for row in cells[1:]]
    told += [""] * (len(texts) - len(told))

    def even(text):
        return text.replace("\r\n", "\n").replace("\r", "\n")

    assert [even(text) for text in told] == [even(xml_text(text)) for text in texts]


def test_no_number_is_an_empty_cell_and_infinity_a_word():
    table = pd.DataFrame({"x": [np.nan, np.inf, -np.inf, 0.1]})
    cells = reread(workbook({"t": table}, title=""))["t"]
    assert [c[0].value for c in cells[1:]] == [None, "inf", "-inf", 0.1]


def test_whole_numbers_that_a_spreadsheet_would_round_are_text():
    cells = reread(workbook({"t": pd.DataFrame({"n": [2**53 - 1, 2**53 + 1]})}, title=""))["t"]
    assert [c[0].value for c in cells[1:]] == [2**53 - 1, str(2**53 + 1)]


def test_sheet_names_are_legal_and_differ():
    names = [
        "variance_per_axis", "a" * 40, "a" * 41, "A" * 42, "x/y:z*?[1]\\", "'quoted'", "",
        "History", "legend", "Legend", "\x07bell", "  ",
    ]  # fmt: skip
    found = sheet_names(names)
    assert found[0] == "variance_per_axis"
    assert len({name.casefold() for name in found}) == len(names)
    for name in found:
        assert 1 <= len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        assert not name.startswith("'")
        assert not name.endswith("'")
        assert name.casefold() != "history"
    reread(workbook({name: pd.DataFrame({"x": [1]}) for name in names}, title=""))


def test_the_legend_explains_every_column_of_the_report():
    """A column without a meaning would be a gap in the legend sheet."""
    tables = {
        name: pd.DataFrame(columns=["element", *about.header(["axis_1", "axis_2"])])
        for name, about in TABLES.items()
    }
    rows = [[plain(c) for c in row] for row in reread(workbook(tables, title="T"))["legend"]]
    assert rows[0] == ["sheet", "column", "meaning"]
    for name, table in tables.items():
        mine = [row for row in rows if row[0] == name]
        assert mine[0] == [name, "", TABLES[name].meaning]
        assert [row[1] for row in mine[1:]] == list(table.columns)
        assert all(row[2] for row in mine)
    # the table's own meaning goes before the common one
    assert meaning_of("membership", "p_value").startswith("against membership: share of the known")
    assert meaning_of("slopes", "p_value") == P_VALUE.meaning
    assert meaning_of("shape_scores", "axis_7").startswith("score on that axis")
    assert meaning_of("no_such_table", "odd") == ""


def test_the_header_stays_in_sight_and_columns_are_wide_enough():
    table = pd.DataFrame({"a_long_name_of_a_column": [1.0], "t": ["x" * 500], "n": [1 / 3]})
    book = openpyxl.load_workbook(io.BytesIO(workbook({"t": table}, title="")))
    for sheet in book:
        assert sheet.freeze_panes == "A2"
    width = {key: size.width for key, size in book["t"].column_dimensions.items()}
    assert width["A"] >= len("a_long_name_of_a_column")
    assert width["B"] <= 64
    assert 8 <= width["C"] <= 20


def test_the_same_tables_give_the_same_bytes(monkeypatch):
    """On another day too: neither clock nor user is written into the file."""
    import datetime

    table = pd.DataFrame({"specimen": HOSTILE})
    first = workbook({"t": table}, title="T")

    class Later(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.datetime(2031, 5, 6, 7, 8, 9, tzinfo=tz)

    monkeypatch.setattr("openpyxl.packaging.core.datetime.datetime", Later)
    assert workbook({"t": table}, title="T") == first
    assert workbook({"t": table[::-1]}, title="T") != first


def test_elements_are_stacked_with_their_names():
    """Empty tables do not spoil the types of the others; columns of one only are kept."""
    one = pd.DataFrame({"specimen": ["a"], "n": [3], "used": [True]})
    other = pd.DataFrame({"specimen": [], "n": [], "used": []})
    third = one.assign(axis_2=0.5)
    table = stacked({"jaw": {"t": one}, "atlas": {"t": other}, "rib": {"t": third}})["t"]
    assert table["element"].tolist() == ["jaw", "rib"]
    assert table["n"].tolist() == [3, 3]
    assert table["n"].dtype == "int64"
    assert table["used"].dtype == bool
    assert np.isnan(table["axis_2"][0])
    assert table["axis_2"][1] == 0.5
    assert list(stacked({"atlas": {"t": other}})["t"].columns) == [
        "element",
        "specimen",
        "n",
        "used",
    ]
