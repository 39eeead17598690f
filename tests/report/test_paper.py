"""Tables of the paper: rounded as stated, and text as text in DOCX and LaTeX."""

import io
import re

import docx
import numpy as np
import pandas as pd
import pytest
from docx.oxml.ns import qn

from helpers import small_tables as small
from morpho.report.paper.docx import word_tables
from morpho.report.paper.latex import latex_tables, latex_text
from morpho.report.paper.tables import (
    PRINTED,
    ManuscriptTable,
    differential_diagnosis,
    manuscript_tables,
    sample_counts,
)

SPECIALS = [*small.HOSTILE,
            "\\alpha{x}", "a_b^c~d", "50 % of #3 & $5", "[1] *", "--", "---", "``q''",
            "<<x>>", "?`", "Größe – 狐…", "two\nlines", "\x07", "", " "]  # fmt: skip


@pytest.fixture
def elements():
    """Two elements, the queries of one with hostile names."""
    return {
        "lower_jaw": small.element(small.HOSTILE, "lower_jaw").tables,
        "atlas": small.element(("find",), "atlas").tables,
    }


def by_name(tables):
    return {table.name: table for table in tables}


def nearest(tables, name):
    """Rows on a query beside its nearest taxon at its own size, of landmarks alone."""
    near = dict(
        zip(tables["verdicts"]["specimen"], tables["verdicts"]["nearest_taxon"], strict=True)
    )
    table = tables[name]
    keep = [near[r["specimen"]] == r["taxon"] and r["size_heeded"]
            and r.get("kind", "landmark") == "landmark" and r.get("counted", True)
            for r in table.to_dict("records")]  # fmt: skip
    return table[keep]


MADE = {
    "sample": sample_counts,
    "differential_diagnosis": differential_diagnosis,
    "displacements": lambda tables: nearest(tables, "displacements"),
    "region_displacements": lambda tables: nearest(tables, "region_displacements"),
}


def source_of(about, elements):
    """The table that a printed one was made from, stacked by hand."""
    parts = []
    for name, tables in elements.items():
        table = MADE[about.name](tables) if about.name in MADE else tables[about.name]
        parts.append(table.assign(element=name.replace("_", " ")))
    return pd.concat(parts, ignore_index=True)


def agrees(printed, value, column):
    """Whether a printed cell is the value, to the digits that are promised."""
    if isinstance(value, str):
        return printed == value
    if isinstance(value, bool | np.bool_):
        return printed == ("yes" if value else "no")
    if value != value:
        return printed == "–"
    if "p_value" in column or column.endswith("probability"):
        if printed == "<0.001":
            return value < 0.001
        return value >= 0.001 and abs(float(printed) - value) <= 0.0005001
    if abs(value) >= 100:
        return abs(float(printed) - value) <= 0.5
    return abs(float(printed) - value) <= 0.00501 * abs(value)


def test_every_cell_is_the_rounded_cell_of_the_table(elements):
    """Number by number, against the unrounded tables."""
    printed = by_name(manuscript_tables(elements))
    checked = 0
    for about in PRINTED:
        if about.name not in printed:
            continue
        table, source = printed[about.name], source_of(about, elements)
        headings = about.headings("paper")
        assert table.head == ("element", *headings.values())
        assert len(table.rows) == len(source)
        columns = ["element", *headings]
        for row, wanted in zip(table.rows, source[columns].to_dict("records"), strict=True):
            for cell, column in zip(row, columns, strict=True):
                assert agrees(cell, wanted[column], column), (about.name, column, cell)
                checked += 1
    assert checked > 500


def test_a_changed_number_changes_the_printed_one(elements):
    before = by_name(manuscript_tables(elements))["membership"]
    elements["atlas"]["membership"].loc[0, "procrustes_distance"] = 0.777
    after = by_name(manuscript_tables(elements))["membership"]
    changed = [
        (old, new)
        for a, b in zip(before.rows, after.rows, strict=True)
        for old, new in zip(a, b, strict=True)
        if old != new
    ]
    assert changed == [("0.341", "0.777")]


def test_tables_that_are_not_there_or_empty_are_left_out(elements):
    for tables in elements.values():
        tables["asymmetry"] = tables["asymmetry"].iloc[:0]
    names = [table.name for table in manuscript_tables(elements)]
    assert "asymmetry" not in names
    assert "trajectories" not in names
    assert names[:2] == ["sample", "verdicts"]


def test_one_element_needs_no_column_for_it():
    table = by_name(manuscript_tables({"atlas": small.element().tables}))["verdicts"]
    assert table.head[0] == "query"


def test_a_table_of_all_elements_is_taken_as_it_is(elements):
    joined = pd.DataFrame(
        {"specimen": ["find"], "elements": [2], "verdict": ["outside"],
         "verdicts_of_elements": ["atlas: outside"], "taxon": ["oak"],
         "combined_p_value": [0.0004]}
    )  # fmt: skip
    table = by_name(manuscript_tables(elements, {"individuals": joined}))["individuals"]
    assert table.rows == (("find", "2", "outside", "atlas: outside", "oak", "<0.001"),)


def test_a_differential_diagnosis_quotes_each_taxon_and_the_query():
    """Measurements of the scheme first, then the best distances; each taxon, then the value."""
    table = by_name(manuscript_tables({"bone": small.element().tables}))["differential_diagnosis"]
    assert table.head[:5] == ("query", "measurement", "unit", "query's value", "taxon")
    assert table.rows[:2] == (
        ("find", "steepness", "degrees", "61.8", "ash", "3", "5.11", "6.22", "5.72", "0.131"),
        ("find", "steepness", "degrees", "61.8", "oak", "5", "7.11", "8.22", "7.72", "0.131"),
    )
    assert [row[1] for row in table.rows[::2]] == ["steepness", "long_side", "p to q", "p to r"]


def test_only_ten_distances_stand_beside_those_of_the_scheme():
    tables = dict(small.element().tables)
    names = [f"a to {i}" for i in range(14)]
    tables["measurement_ranking"] = pd.DataFrame(
        {"specimen": "find", "size_heeded": False, "kind": "distance", "rank": range(14, 0, -1),
         "measurement": names}
    )  # fmt: skip
    tables["measurement_summary"] = pd.DataFrame(
        {"measurement": [*names, "long_side"], "kind": "distance", "unit": "mm", "taxon": "ash",
         "specimens": 3, "minimum": 1.0, "maximum": 2.0, "mean": 1.5, "standard_deviation": 0.1}
    )  # fmt: skip
    found = differential_diagnosis(tables)
    assert found["measurement"].tolist() == ["long_side", *names[:3:-1]]
    assert found["value"].notna().sum() == 1
    tables["measurement_ranking"] = tables["measurement_ranking"].iloc[:0]
    alone = differential_diagnosis(tables)
    assert alone["measurement"].tolist() == ["long_side"]
    assert alone["specimen"].tolist() == ["–"]
    assert differential_diagnosis({}).empty


def test_displacements_are_those_from_the_nearest_taxon_at_the_own_size():
    tables = dict(small.element().tables)
    other = tables["displacements"].assign(taxon="ash")
    tables["displacements"] = pd.concat([other, tables["displacements"]], ignore_index=True)
    table = by_name(manuscript_tables({"bone": tables}))["displacements"]
    assert [row[:4] for row in table.rows] == [
        ("find", "oak", "yes", "p"), ("find", "oak", "yes", "q"),
    ]  # fmt: skip
    assert table.rows[0][4:9] == ("", "no", "1.24", "1.24 mm higher", "4.14")
    tables["displacements"] = tables["displacements"][~tables["displacements"]["size_heeded"]]
    table = by_name(manuscript_tables({"bone": tables}))["displacements"]
    assert {row[2] for row in table.rows} == {"no"}


def test_tables_of_individuals_are_printed_as_they_are_joined(elements):
    printed = by_name(manuscript_tables(elements, small.joined()))
    assert printed["proportions"].rows[0] == (
        "find", "bone", "upper_rib", "ash", "3", "2.12", "2.34", "2.23", "2.88", "3.77", "0.013",
        "yes",
    )  # fmt: skip
    assert len(printed["individuals"].rows) == 2
    assert {"region_displacements", "meshes"} <= set(printed)


def test_specimens_are_counted_by_taxon(elements):
    table = by_name(manuscript_tables(elements))["sample"]
    assert table.rows[:3] == (
        ("lower jaw", "ash", "known", "4", "3"),
        ("lower jaw", "oak", "known", "5", "5"),
        ("lower jaw", "–", "query", "7", "7"),
    )


# ---------------------------------------------------------------- DOCX


def test_word_tables_reread_equal_the_tables(elements):
    """python-docx finds every caption and cell as it was given."""
    printed = manuscript_tables(elements)
    document = docx.Document(io.BytesIO(word_tables(printed, title="Kin <b>", notice="No & yes")))
    captions = [p.text for p in document.paragraphs if p.style.name == "Caption"]
    assert captions == [f"Table {i + 1}. {t.caption}" for i, t in enumerate(printed)]
    assert len(document.tables) == len(printed)
    for grid, table in zip(document.tables, printed, strict=True):
        cells = [tuple(cell.text for cell in row.cells) for row in grid.rows]
        assert cells == [table.head, *table.rows]
    texts = [p.text for p in document.paragraphs]
    assert "Kin <b>" in texts
    assert "No & yes" in texts
    assert any("three significant digits" in text for text in texts)


def test_captions_stand_above_and_headers_come_again(elements):
    document = docx.Document(io.BytesIO(word_tables(manuscript_tables(elements), title="T")))
    body = list(document.element.body)
    for grid in document.tables:
        above = body[body.index(grid._tbl) - 1]
        assert above.tag == qn("w:p")
        assert "Caption" in above.xml
        assert [len(row._tr.findall(f".//{qn('w:tblHeader')}")) for row in grid.rows] == [
            1, *[0] * (len(grid.rows) - 1)
        ]  # fmt: skip
        sizes = {run.font.size.pt for row in grid.rows for c in row.cells
                 for p in c.paragraphs for run in p.runs}  # fmt: skip
        assert sizes == {8.0}
        # the order that the format wants, or word processors call the file damaged
        tags = [child.tag for child in grid._tbl.tblPr]
        assert tags.index(qn("w:tblBorders")) < tags.index(qn("w:tblLook"))


def test_any_text_can_stand_in_a_word_table():
    table = ManuscriptTable("t", "<c>", ("a",), tuple((text,) for text in SPECIALS), (False,))
    document = docx.Document(io.BytesIO(word_tables([table], title="\x00" * 300)))
    cells = [row.cells[0].text for row in document.tables[0].rows[1:]]
    assert cells == [text.replace("\x07", "\\x07") for text in SPECIALS]


def test_the_same_tables_give_the_same_document(elements):
    printed = manuscript_tables(elements)
    assert word_tables(printed, title="T") == word_tables(printed, title="T")
    assert word_tables(printed[1:], title="T") != word_tables(printed, title="T")


# ---------------------------------------------------------------- LaTeX


def read_latex(text):
    """What LaTeX prints for escaped text: an inverse written on its own."""
    words = {
        r"\textbackslash{}": "\\", r"\textasciitilde{}": "~", r"\textasciicircum{}": "^",
        r"\textless{}": "<", r"\textgreater{}": ">", r"\textbar{}": "|",
        r"\textquotedbl{}": '"', r"\textasciigrave{}": "`", r"\ldots{}": "…", "$-$": "−",
    }  # fmt: skip
    found, i = "", 0
    while i < len(text):
        for command, sign in words.items():
            if text.startswith(command, i):
                found, i = found + sign, i + len(command)
                break
        else:
            if text[i] == "\\":
                assert text[i + 1] in "{}&%$#_", text[i:]
                found, i = found + text[i + 1], i + 2
            elif text.startswith("--", i):  # a ligature
                found, i = found + "–", i + 2
            elif text[i] in "{}":
                i += 1
            else:
                assert text[i] not in '&%$#_^~"<>|`', text[i:]
                for pair in ("''", ",,", "!`", "?`"):
                    assert not text.startswith(pair, i), text
                found, i = found + text[i], i + 1
    return found


@pytest.mark.parametrize("text", SPECIALS)
def test_latex_prints_what_was_given(text):
    escaped = latex_text(text)
    depth = 0
    for sign in re.sub(r"\\[{}]", "", escaped):
        depth += {"{": 1, "}": -1}.get(sign, 0)
        assert depth >= 0
    assert depth == 0
    wanted = text.replace("\x07", "\\x07").replace("\n", " ")
    assert read_latex(escaped) == wanted


def rows_of(latex):
    """Rows of each tabular, cell by cell."""
    tables = []
    for body in re.findall(r"\\toprule\n(.*?)\\end\{(?:tabular|longtable)\}", latex, re.DOTALL):
        lines = [
            line
            for line in body.splitlines()
            if line.endswith(r"\\") and not line.startswith((r"\caption", r"\multicolumn"))
        ]
        rows = [re.split(r"(?<!\\)&", line.removesuffix(r"\\")) for line in lines]
        # a long table has its head again for each page
        tables.append(rows[1:] if rows[:1] == rows[1:2] else rows)
    return tables


def test_latex_tables_reread_equal_the_tables(elements):
    """Every cell, through an inverse of the escapes; the order of rules; the captions."""
    printed = manuscript_tables(elements)
    latex = latex_tables(printed, title="T\n\\input{evil} %")
    found = rows_of(latex)
    assert len(found) == len(printed)
    for rows, table in zip(found, printed, strict=True):
        wanted = [table.head, *table.rows]
        told = [[read_latex(cell.strip()) for cell in row] for row in rows]
        assert [row for row in told if len(row) == len(table.head)] == [list(r) for r in wanted]
    for table in printed:
        assert f"\\caption{{{latex_text(table.caption)}}}" in latex
    long = latex.count(r"\begin{longtable}")
    assert long > 0
    assert latex.count(r"\toprule") - long == latex.count(r"\bottomrule") == len(printed)
    labels = re.findall(r"\\label\{(.*?)\}", latex)
    assert len(set(labels)) == len(printed)
    # the title is in a comment of one line
    assert latex.splitlines()[0].startswith("% T \\input")
    assert latex.splitlines()[1].startswith("%")


def test_a_row_that_begins_with_a_bracket_is_no_option():
    r"""After \\ LaTeX takes [ for the length of a skip, and * for a page break."""
    table = ManuscriptTable("t", "c", ("a",), (("[1]",), ("*",)), (False,))
    latex = latex_tables([table], title="")
    assert not re.search(r"(\\\\|rule)\s*[\[*]", latex)


def test_long_tables_break_across_pages():
    rows = tuple((str(i),) for i in range(80))
    latex = latex_tables([ManuscriptTable("t", "c", ("n",), rows, (True,))], title="")
    assert r"\begin{longtable}{r}" in latex
    assert r"\begin{table}" not in latex
    assert latex.count("{") == latex.count("}")
