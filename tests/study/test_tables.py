"""Reading delimited text from anywhere."""

import pytest

from morpho.study.reading.problems import Problems
from morpho.study.reading.tables import find_delimiter, read_table


def read(tmp_path, data, **options):
    path = tmp_path / "table.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    problems = Problems(base=tmp_path)
    return read_table(path, problems, **options), problems


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_encodings_and_line_ends_of_every_system(tmp_path, end, encoding):
    """A table was saved on another system; nothing is said, everything is read."""
    text = end.join(["name,länge", "Œ,1", "中,2", ""])
    table, problems = read(tmp_path, text.encode(encoding))
    assert table.header == ("name", "länge")
    assert table.rows == [("Œ", "1"), ("中", "2")]
    assert table.lines == [2, 3]
    assert len(problems) == 0


def test_an_old_encoding_is_read_with_a_note(tmp_path):
    """A table was saved as Windows-1252; the note names the file."""
    table, problems = read(tmp_path, "taxon,n\nmüll“er,1\n".encode("cp1252"))
    assert table.rows == [("müll“er", "1")]
    assert [p.severity for p in problems] == ["note"]
    assert "table.csv\n  note: This file is not UTF-8" in problems.render()


@pytest.mark.parametrize(("mark", "cells"), [(",", "a,b"), (";", "a;b"), ("\t", "a\tb")])
def test_the_delimiter_is_found_in_the_header(mark, cells):
    """A table has commas, semicolons or tabs."""
    assert find_delimiter(cells) == mark


def test_delimiters_inside_quotes_do_not_count():
    """A column's name has commas in it."""
    assert find_delimiter('a;"b, c, d, e"') == ";"


def test_a_stated_delimiter_is_taken(tmp_path):
    """A user states the delimiter that the header does not give away."""
    table, _ = read(tmp_path, "a,b;c\n1,2;3\n", delimiter=";")
    assert table.header == ("a,b", "c")


def test_the_sep_line_of_spreadsheet_programs_is_understood(tmp_path):
    """A spreadsheet program wrote sep=; before the header; line numbers stay right."""
    table, _ = read(tmp_path, "sep=;\na;b\n1;2,5\n")
    assert table.header == ("a", "b")
    assert table.lines == [3]


def test_line_numbers_survive_quoted_line_breaks_and_blank_lines(tmp_path):
    """A cell holds a line break: rows after it still have their own line."""
    table, problems = read(tmp_path, 'a,b\n"x\ny",1\n\n  ,\nz,2\n')
    assert table.rows == [("x\ny", "1"), ("z", "2")]
    assert table.lines == [2, 6]
    assert len(problems) == 0


def test_odd_white_space_breaks_no_line(tmp_path):
    """A form feed or a Unicode line separator in a cell is no line end."""
    table, _ = read(tmp_path, "a,b\nx\x0cy\u2028z\x85,1\nq,2\n")
    assert table.lines == [2, 3]


@pytest.mark.parametrize(("row", "cells"), [("1,2", 2), ("1,2,3,4", 4)])
def test_ragged_rows_are_told_with_their_line(tmp_path, row, cells):
    """A row has a cell too few or too many."""
    table, problems = read(tmp_path, f"a,b,c\n1,2,3\n{row}\n4,5,6\n")
    assert len(table.rows) == 2
    assert f"line 3: This row has {cells} cells where the header has 3" in problems.render()


def test_blank_cells_at_the_end_do_not_matter(tmp_path):
    """A spreadsheet program added empty columns."""
    table, problems = read(tmp_path, "a,b,,\n1,2,,\n3,4\n")
    assert table.header == ("a", "b")
    assert len(table.rows) == 2
    assert not problems.errors


REFUSED = {
    "empty": (b"", "This file is empty"),
    "blank": (b" \n\n", "This file is empty"),
    "only separators": (b",,,\n,,\n", "This file has no header"),
    "workbook": (b"PK\x03\x04rest", "This is a spreadsheet file(.|\n)*save the table as CSV"),
    "old workbook": (b"\xd0\xcf\x11\xe0\xa1", "spreadsheet file of an old kind(.|\n)*CSV"),
    "compressed": (b"\x1f\x8b\x08", "compressed file(.|\n)*unpack"),
    "NUL": (b"a,b\n1,\x002\n", "NUL bytes(.|\n)*plain text"),
    "UTF-16 without mark": ("a,b\n".encode("utf-16-le"), "NUL bytes"),
    "cut UTF-16": ("a,b\n".encode("utf-16")[:-1], "does not go on so"),
    "duplicate column": (b"a,b,a\n1,2,3\n", 'column "a" stands twice, as column 1 and 3'),
    "nameless column": (b"a,,c\n1,2,3\n", "Column 2 has cells but no name"),
    "open quote": (b'a,b\n1,2\n"3,4\n5,6\n', "line 3: A quotation mark opened in this line"),
    "quote in cell": (b'a,b\n"1"x,2\n5,6\n', "line 2: A quotation mark in this line closes"),
}


@pytest.mark.parametrize(("data", "expected"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_no_table_is_refused(tmp_path, data, expected):
    """A user gives a file that is no table, or a damaged one."""
    import re

    _, problems = read(tmp_path, data)
    assert re.search(expected, problems.render())
    assert problems.errors


def test_a_cell_of_a_megabyte_is_refused(tmp_path):
    """A binary file without NUL bytes has one endless line."""
    _, problems = read(tmp_path, "a,b\n1," + "x" * 1_000_000 + "\n")
    assert "longer than any table's" in problems.render()


def test_a_missing_column_names_the_nearest_and_the_mapping(tmp_path):
    """A user's column is named otherwise: the message shows both ways out."""
    table, problems = read(tmp_path, "Specimen name,taxon\nA,b\n")
    assert table.position("specimen", {}, problems, "specimens") is None
    told = problems.render()
    assert 'There is no column "specimen"' in told
    assert 'Did you mean "Specimen name"?' in told
    assert "specimens: columns: specimen" in told


@pytest.mark.parametrize(
    ("what", "expected"),
    [("folder", "This is a folder, not a file"), ("missing", "nor does its folder")],
)
def test_paths_that_lead_nowhere(tmp_path, what, expected):
    """A path leads to a folder or to nothing."""
    path = tmp_path if what == "folder" else tmp_path / "no" / "table.csv"
    problems = Problems()
    assert read_table(path, problems) is None
    assert expected in problems.render()


def test_no_permission_is_said(tmp_path, monkeypatch):
    """The file belongs to somebody else."""
    path = tmp_path / "table.csv"
    path.write_text("a,b\n")

    def refuse(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "read_bytes", refuse)
    problems = Problems()
    assert read_table(path, problems) is None
    assert "no permission to read" in problems.render()
