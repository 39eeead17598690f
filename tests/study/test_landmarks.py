"""The landmark tables: each refusal with file, line, specimen, landmark and remedy."""

import re
import time

import numpy as np
import pytest

from morpho.study.element import read_element
from morpho.study.reading.coordinates import parse_coordinate, probable_unit
from morpho.study.settings.config import read_config

FILE = "landmarks/jaw/A-2.csv"
HEADER = "specimen,element,replicate,landmark,x,y,z"


def set_row(tiny, landmark, text, file=FILE):
    """Put another text in place of a landmark's row; give its line."""
    lines = tiny.read(file).splitlines()
    at = next(i for i, line in enumerate(lines) if f",{landmark}," in line)
    lines[at : at + 1] = [] if text is None else [text]
    tiny.write(file, "\n".join(lines) + "\n")
    return at + 1


def only_error(tiny):
    errors = tiny.errors()
    assert len(errors) == 1, errors
    return errors[0]


def test_the_tiny_study_is_fine(tiny):
    """A user with nothing wrong is told of nothing but what the sample cannot decide."""
    problems = tiny.check()
    assert not problems.errors
    assert not problems.warnings
    assert {"by which ranks reach alpha" in problem.found for problem in problems} == {True}


def test_rows_are_tidy_and_in_millimetres(tiny):
    """A user digitised in centimetres; a landmark is missing."""
    set_row(tiny, "notch", "A-2,jaw,,notch,,,")
    millimetres = read_element(read_config(tiny.path), "jaw")[2]
    tiny.edit("study.yaml", "*.csv\n", "*.csv\n  units: cm\n")
    scheme, specimens, rows = read_element(read_config(tiny.path), "jaw")
    assert list(rows.columns) == [
        "specimen", "element", "replicate", "observer", "landmark", "x", "y", "z", "file", "line",
    ]  # fmt: skip
    assert np.allclose(rows["x"], 10 * millimetres["x"], equal_nan=True)
    one = rows[(rows["specimen"] == "A-2") & (rows["landmark"] == "notch")].iloc[0]
    assert np.isnan([one["x"], one["y"], one["z"]]).all()
    assert (one["file"], one["line"]) == (FILE, 3)
    assert list(rows["landmark"][:7]) == [*scheme.landmark_names, "border.1", "border.2"]
    assert list(specimens.index) == sorted(tiny.names)


def test_the_order_of_rows_has_no_bearing(tiny):
    """A user sorts a table by name: the same configurations come out."""
    before = read_element(read_config(tiny.path), "jaw")[2].drop(columns="line")
    head, *rows = tiny.read(FILE).splitlines()
    tiny.write(FILE, "\n".join([head, *sorted(rows)]))
    assert read_element(read_config(tiny.path), "jaw")[2].drop(columns="line").equals(before)


CELLS = {
    "word": ("1,abc,2", 'y is "abc", which is no number'),
    "decimal comma": ('"12,5",1,2', "x is \"12,5\", with a comma.*decimal: ','"),
    "not a number": ("1,NaN,2", 'y is "NaN".*leave its cells blank'),
    "missing word": ("NA,NA,NA", 'x is "NA".*leave its cells blank'),
    "infinite": ("1,2,-inf", 'z is "-inf", which is no place'),
    "too large": ("1e400,2,3", 'x is "1e400", too large'),
    "unit": ("12.5 mm,1,2", 'x is "12.5 mm", with a unit.*units in study.yaml'),
    "inch mark": ('"1.5""",1,2', "with a unit"),
    "thousands": ('"1,234.5",1,2', 'x is "1,234.5", with a mark between thousands'),
    "thousands with space": ("1 234.5,1,2", "with a mark between thousands"),
    "one blank": (",1,2", "x is blank, but not all three.*leave all three blank"),
    "two blank": (",1,", "x and z are blank, but not all three"),
    "code for missing": ("-9999,-9999,-9999", "looks like a code for a missing landmark"),
    "spreadsheet error": ("#REF!,1,2", "a spreadsheet's error"),
    "date": ("12.May,1,2", 'x is "12.May", a date'),
    "date in German": ("12. Mai,1,2", 'x is "12. Mai", a date'),
    "date in French": ("02-févr,1,2", 'x is "02-févr", a date'),
    "month first": ("May-12,1,2", 'x is "May-12", a date'),
    "date and year": ("1,12-Dec-2024,2", 'y is "12-Dec-2024", a date'),
    "date of the standard": ("1,2,2024-05-01", 'z is "2024-05-01", a date.*as text'),
    "date and time": ("2024-05-01 00:00:00,1,2", "a date"),
    "date with points": ("01.05.2024,1,2", 'x is "01.05.2024", a date'),
    "date with strokes": ("1/5/24,1,2", 'x is "1/5/24", a date'),
    "no date but a unit": ("12 mm,1,2", 'x is "12 mm", with a unit'),
    "no date but thousands": ("1.234.567,1,2", "with a mark between thousands"),
    "two points": ("1.2.3,1,2", 'x is "1.2.3"'),
    "hexadecimal": ("0x10,1,2", 'x is "0x10"'),
    "underscore": ("1_0,1,2", 'x is "1_0"'),
}


@pytest.mark.parametrize(("cells", "expected"), CELLS.values(), ids=CELLS.keys())
def test_bad_cells_are_told(tiny, cells, expected):
    """A user has one bad cell: the message has file, line, specimen and landmark, and no echo."""
    line = set_row(tiny, "heel", f"A-2,jaw,,heel,{cells}")
    errors = tiny.errors()
    assert all(error.startswith(f"{FILE}:{line} A-2 heel: ") for error in errors)
    assert re.search(expected, errors[0]), errors[0]


NAMES = {
    "specimen": ("A2,jaw,,heel,1,2,3", 'The specimen "A2" is not in the specimen table.*"A-2"'),
    "blank specimen": (",jaw,,heel,1,2,3", "specimen is blank"),
    "landmark": ("A-2,jaw,,heal,1,2,3", '"heal" is not in the scheme of jaw. .*mean heel'),
    "blank landmark": ("A-2,jaw,,,1,2,3", "landmark is blank"),
    "misspelt curve": ("A-2,jaw,,bordr.3,1,2,3", '"bordr.3".*mean border.3'),
    "curve without number": ("A-2,jaw,,border,1,2,3", "is a curve, whose points are numbered"),
    "curve from 0": ("A-2,jaw,,border.0,1,2,3", "numbered from 1"),
    "curve with a letter": ("A-2,jaw,,border.a,1,2,3", "numbered from 1"),
    "element": ("A-2,jawbone,,heel,1,2,3", 'element is "jawbone", but the file\'s path says "jaw"'),
}


@pytest.mark.parametrize(("row", "expected"), NAMES.values(), ids=NAMES.keys())
def test_unknown_names_are_told(tiny, row, expected):
    """A user misspells a name in a row that is one too many."""
    tiny.write(FILE, tiny.read(FILE) + row + "\n")
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:9 ")
    assert re.search(expected, error), error


def test_a_specimen_that_is_not_in_the_table_is_not_taken_for_one_that_is_digitised(tiny):
    """A user forgot a specimen in the specimen table: the others have their own digitisations."""
    for path in tiny.folder.rglob("*.csv"):
        path.write_text(path.read_text().replace("B-", "Box-0"))  # names that are much alike
    lines = tiny.read("specimens.csv").splitlines(keepends=True)
    tiny.write("specimens.csv", "".join(line for line in lines if not line.startswith("Box-04")))
    errors = tiny.errors()
    assert len(errors) == 12  # 7 points of the jaw, 5 of the ring
    assert all('The specimen "Box-04" is not in the specimen table.' in error for error in errors)
    assert not any("Did you mean" in error for error in errors)


def test_a_misspelt_specimen_is_told_with_the_one_that_has_no_digitisation(tiny):
    """All rows of a specimen are misspelt, or one among its own."""
    for element in ("jaw", "ring"):
        file = f"landmarks/{element}/B-4.csv"
        tiny.write(file, tiny.read(file).replace("B-4", "B-44"))
    assert {error.split(" | ")[1].split("?")[0] for error in tiny.errors()} == {
        'Did you mean "B-4"'
    }


def test_one_misspelt_row_among_its_own_is_told(tiny):
    tiny.edit("landmarks/jaw/B-4.csv", "B-4,jaw,,heel", "B-44,jaw,,heel")
    errors = tiny.errors()
    assert any('"B-44" is not in the specimen table. | Did you mean "B-4"?' in e for e in errors)


def test_zeros_that_a_spreadsheet_took_are_known(tiny):
    """001 became 1 in one of the tables; a name with the same letters is not it."""
    rows = [r for e in ("jaw", "ring") for r in tiny.rows("001", e, seed=20)]
    tiny.write("specimens.csv", tiny.read("specimens.csv") + "1,marsh dormouse,known,left,\n")
    tiny.write("landmarks/jaw/more.csv", "\n".join([HEADER, *rows[:7]]))
    errors = tiny.errors()
    assert len(errors) == 7
    assert all('"001" is not in the specimen table. | Did you mean "1"? A spr' in e for e in errors)
    own = [row.replace("001", "1", 1) for row in rows[:7]]
    tiny.write("landmarks/jaw/own.csv", "\n".join([HEADER, *own]))
    errors = tiny.errors()
    assert len(errors) == 7
    assert all('table has "1", which has rows of its own: see whether' in e for e in errors)
    assert not any("Did you mean" in error for error in errors)


def test_an_unknown_element_is_told(tiny):
    """A user keeps all elements in one file and misspells one."""
    tiny.edit("study.yaml", "landmarks/{element}/*.csv", "all.csv")
    rows = [r for n, name in enumerate(tiny.names) for e in ("jaw", "ring")
            for r in tiny.rows(name, e, seed=n)]  # fmt: skip
    tiny.write("all.csv", "\n".join([HEADER, *rows, "A-1,jawe,,tip,1,2,3"]))
    error = only_error(tiny)
    assert error.startswith(f"all.csv:{len(rows) + 2} A-1 tip: ")
    assert 'element is "jawe", which is not in study.yaml. | Did you mean jaw?' in error


def test_a_landmark_without_a_row_is_told(tiny):
    """A user left a landmark out instead of leaving it blank."""
    set_row(tiny, "heel", None)
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:2 A-2 heel: There is no row for this landmark")
    assert "Add the row, with blank cells if the landmark is missing on the bone" in error


def test_a_landmark_that_stands_twice_is_told(tiny):
    """A user has one row twice."""
    tiny.write(FILE, tiny.read(FILE) + "A-2,jaw,,heel,9,9,9\n")
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:9 A-2 heel: The landmark stands twice in one digitisation")
    assert "it is in line 4 already" in error


def test_two_digitisations_without_labels_are_told(tiny):
    """A user digitised a specimen twice and labelled neither, in one file."""
    tiny.write(FILE, tiny.read(FILE) + "\n".join(tiny.rows("A-2", "jaw", seed=50)) + "\n")
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:9 A-2 None: The specimen is digitised here again")
    assert "begins in line 2" in error
    assert "column replicate" in error


def test_two_digitisations_without_labels_in_two_files_are_told(tiny):
    """A user digitised a specimen twice, in two files."""
    tiny.write("landmarks/jaw/A-2b.csv", tiny.table("A-2", "jaw", seed=50))
    error = only_error(tiny)
    assert error.startswith("landmarks/jaw/A-2b.csv:2 A-2 None: ")
    assert f"begins in line 2 of {FILE}" in error


def test_labelled_replicates_are_fine(tiny):
    """A user labels the second digitisation."""
    tiny.write("landmarks/jaw/A-2b.csv", tiny.table("A-2", "jaw", seed=50, replicate="second"))
    assert tiny.errors() == []
    rows = read_element(read_config(tiny.path), "jaw")[2]
    assert set(rows.loc[rows["specimen"] == "A-2", "replicate"]) == {"", "second"}


def test_two_observers_are_two_digitisations(tiny):
    """Two observers number their digitisations from 1, each for himself."""
    rows = [row + ",ann" for row in tiny.rows("A-2", "jaw", seed=1, replicate="1")]
    rows += [row + ",bo" for row in tiny.rows("A-2", "jaw", seed=60, replicate="1")]
    tiny.write(FILE, "\n".join([HEADER + ",observer", *rows]))
    assert tiny.errors() == []


def test_a_gap_in_a_curve_is_told(tiny):
    """A user's curve goes from point 1 to point 3."""
    line = set_row(tiny, "border.2", "A-2,jaw,,border.3,6,-1.5,1.5")
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:{line} A-2 border.3: ")
    assert "The curve border has a point 3 but none numbered 2" in error


def test_a_curve_that_is_not_digitised_is_a_note(tiny):
    """A bone is broken where the curve runs."""
    set_row(tiny, "border.1", None)
    set_row(tiny, "border.2", None)
    problems = tiny.check()
    assert not problems.errors
    assert "The curve border is not digitised" in problems.render(["note"])


def test_leading_zeros_of_curve_points_are_understood(tiny):
    """A user numbers border.01, border.02."""
    text = tiny.read(FILE).replace("border.", "border.0")
    tiny.write(FILE, text)
    assert tiny.errors() == []
    assert "border.2" in set(read_element(read_config(tiny.path), "jaw")[2]["landmark"])


def test_a_patch_needs_points_on_its_template(tiny):
    """A user adds a patch and forgets to place its points."""
    scheme = tiny.read("schemes/jaw.yaml")
    tiny.write("schemes/jaw.yaml", scheme + "patches: [{name: face, template: A-1}]\n")
    assert "The patch face has no points on its template" in only_error(tiny)
    rows = "".join(f"A-1,jaw,,face.{n},{n},2,2\n" for n in (1, 2, 3))
    tiny.write("landmarks/jaw/A-1.csv", tiny.read("landmarks/jaw/A-1.csv") + rows)
    assert tiny.errors() == []
    tiny.edit("schemes/jaw.yaml", "template: A-1", "template: A-9")
    assert '"A-9", is not in the specimen table' in only_error(tiny)
    tiny.edit("schemes/jaw.yaml", ", template: A-9", "")
    assert tiny.errors() == []


UNITS = {
    "um for mm": (1000, r"(9|10)\d\d times the size of the other specimens.*in um, not mm"),
    "inch for mm": (1 / 25.4, r"1/2[456][.\d]* the size of.*probably digitised in inch, not mm"),
    "cm for mm": (0.1, r"1/(9|10)[.\d]* the size of.*probably digitised in cm, not mm"),
    "m for mm": (0.001, r"probably digitised in m, not mm"),
    "lost point": (100, r"times the size of.*Check its unit and decimal mark"),
}


@pytest.mark.parametrize(("scale", "expected"), UNITS.values(), ids=UNITS.keys())
def test_slips_of_unit_are_told(tiny, scale, expected):
    """A user exported one specimen in another unit."""
    tiny.write(FILE, tiny.table("A-2", "jaw", scale=scale))
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:2 A-2 None: The digitisation that begins here is ")
    assert re.search(expected, error), error


@pytest.mark.parametrize("units", ["mm", "cm"])
def test_one_cell_that_lost_its_point_is_told_by_its_landmark(tiny, units):
    """A user's table has 60123 for 6.0123 in one cell; the rest of the digitisation is sound."""
    tiny.write("study.yaml", tiny.read("study.yaml").replace("*.csv", f"*.csv\n  units: {units}"))
    row = next(r for r in tiny.rows("A-2", "jaw", seed=1) if ",knob," in r).split(",")
    line = set_row(tiny, "knob", ",".join([*row[:5], row[5].replace(".", ""), row[6]]))
    error = only_error(tiny)
    assert error.startswith(f"{FILE}:{line} A-2 knob: The landmark lies far off all others")
    assert f": y is {row[5].replace('.', '')}. " in error
    assert "lost decimal mark" in error


def test_a_slip_of_unit_in_a_query_is_told(tiny):
    """The query, which has no taxon, is held against all others."""
    tiny.write("landmarks/jaw/Q-1.csv", tiny.table("Q-1", "jaw", scale=0.1))
    assert "the size of the other specimens. | It was probably digitised in cm" in only_error(tiny)


def test_young_and_old_are_no_slips_of_unit(tiny):
    """A juvenile is a third as large as its fellows."""
    tiny.write(FILE, tiny.table("A-2", "jaw", scale=0.33))
    assert tiny.errors() == []


def test_mice_and_elephants_are_no_slips_of_unit(tiny):
    """Two taxa differ thirtyfold in size, and the query is as large as the larger."""
    for i, name in enumerate(tiny.names):
        if name[0] in "BQ":
            tiny.write(f"landmarks/jaw/{name}.csv", tiny.table(name, "jaw", seed=i, scale=30))
    assert tiny.errors() == []


@pytest.mark.parametrize(("scale", "kind"), [(1000, "error"), (0.001, "error"), (10, "warning")])
def test_a_whole_taxon_in_another_unit_is_told(tiny, scale, kind):
    """One museum sent one taxon, all in its own unit: no fellow of the taxon stands out."""
    for i, name in enumerate(tiny.names):
        if name[0] == "B":
            tiny.write(f"landmarks/jaw/{name}.csv", tiny.table(name, "jaw", seed=i, scale=scale))
    told = tiny.told()
    assert "every other taxon" in told
    assert "It was probably digitised in" in told
    found = [p for p in tiny.check() if "every other taxon" in p.found]
    assert {p.severity for p in found} == {kind}


def test_landmarks_in_one_point_are_told(tiny):
    """An export went wrong: every landmark has the same coordinates."""
    rows = [",".join(row.split(",")[:4]) + ",1,2,3" for row in tiny.rows("A-2", "jaw")]
    tiny.write(FILE, "\n".join([HEADER, *rows]))
    assert "All landmarks of the digitisation that begins here lie in one point" in only_error(tiny)


def test_landmarks_in_one_plane_are_told(tiny):
    """A user has coordinates of two dimensions."""
    rows = [",".join(row.split(",")[:6]) + ",0" for row in tiny.rows("A-2", "jaw")]
    tiny.write(FILE, "\n".join([HEADER, *rows]))
    assert "lie in one plane" in only_error(tiny)


def test_landmarks_in_one_line_are_told(tiny):
    """A column was mapped to all three coordinates."""
    rows = [f"{','.join(r.split(',')[:4])},{i},{i},{i}" for i, r in
            enumerate(tiny.rows("A-2", "jaw"), 1)]  # fmt: skip
    tiny.write(FILE, "\n".join([HEADER, *rows]))
    assert "lie in one line" in only_error(tiny)


def test_a_copied_file_is_warned_of(tiny):
    """A user copied a file to fill in and forgot to."""
    tiny.write(FILE, tiny.read("landmarks/jaw/A-1.csv").replace("A-1,", "A-2,"))
    told = tiny.told()
    assert "the very same as those of the digitisation of A-1 in landmarks/jaw/A-1.csv" in told
    assert not tiny.errors()


def test_a_landmark_at_the_origin_is_warned_of(tiny):
    """A user's program writes 0, 0, 0 for a missing landmark."""
    line = set_row(tiny, "knob", "A-2,jaw,,knob,0,0,0")
    where = f"warning, line {line}, element jaw, specimen A-2, landmark knob"
    assert f"{where}: The landmark is at 0, 0, 0" in tiny.told()


def test_two_landmarks_in_one_place_are_warned_of(tiny):
    """A user clicked twice on one point."""
    x, y, z = tiny.read(FILE).splitlines()[1].split(",")[4:]
    set_row(tiny, "knob", f"A-2,jaw,,knob,{x},{y},{z}")
    assert "landmark knob: The landmark is in exactly the same place as tip" in tiny.told()


def test_decimal_commas_are_read_if_stated(tiny):
    """A user's tables have decimal commas and semicolons."""
    before = read_element(read_config(tiny.path), "jaw")[2]
    for element in ("jaw", "ring"):
        for name in tiny.names:
            file = f"landmarks/{element}/{name}.csv"
            tiny.write(file, tiny.read(file).replace(",", ";").replace(".", ",").replace(
                "border,", "border."))  # fmt: skip
    tiny.edit("study.yaml", "*.csv\n", "*.csv\n  decimal: ','\n")
    assert tiny.errors() == []
    assert read_element(read_config(tiny.path), "jaw")[2].equals(before)


def test_a_point_among_commas_is_told(tiny):
    """The decimal mark is stated as the comma but a table has points."""
    tiny.edit("study.yaml", "*.csv\n", "*.csv\n  decimal: ','\n")
    assert "with a point, but the decimal mark in study.yaml is the comma" in tiny.told()


def test_columns_come_from_the_path(tiny):
    """A user's files have no names inside: they stand in the path."""
    for element in ("jaw", "ring"):
        for name in tiny.names:
            file = f"landmarks/{element}/{name}.csv"
            rows = [row.split(",", 3)[3] for row in tiny.read(file).splitlines()]
            tiny.write(file, "\n".join(rows))
    tiny.edit("study.yaml", "{element}/*.csv", "{element}/{specimen}.csv")
    assert tiny.errors() == []
    tiny.write("landmarks/jaw/A-9.csv", tiny.read("landmarks/jaw/A-1.csv"))
    assert 'landmarks/jaw/A-9.csv:2 None tip: The specimen "A-9" is not in' in tiny.errors()[0]


def test_a_path_that_contradicts_the_rows_is_told(tiny):
    """A file lies in the folder of another specimen."""
    tiny.edit("study.yaml", "{element}/*.csv", "{element}/{specimen}.csv")
    tiny.edit(FILE, "A-2,", "A-3,")
    assert any(
        e.startswith(f'{FILE}:2 None None: specimen is "A-3", but the file\'s path says "A-2"')
        for e in tiny.errors()
    )


def test_an_element_without_tables_is_told(tiny):
    """A user's pattern fits no file."""
    tiny.edit("study.yaml", "landmarks/{element}", "landmark/{element}")
    told = tiny.told()
    assert "line 5, element jaw: No landmark table of jaw was found: no file fits" in told
    assert "line 5, element ring: No landmark table of ring was found" in told


def test_a_file_that_differs_in_capitals_is_warned_of(tiny):
    """A user's export ends in .CSV and would silently not be read."""
    (tiny.folder / FILE).rename(tiny.folder / "landmarks/jaw/A-2.CSV")
    assert "landmarks/jaw/A-2.CSV\n  warning: This file is not read" in tiny.told()


def test_a_file_with_a_header_only_is_warned_of(tiny):
    """A user has not filled in a table."""
    tiny.write(FILE, HEADER + "\n")
    assert f"{FILE}\n  warning: There is a header but no row" in tiny.told()


def test_a_missing_column_is_told_once_a_file(tiny):
    """A user's table names a coordinate otherwise."""
    tiny.edit(FILE, ",x,", ",x_mm,")
    error = only_error(tiny)
    assert 'There is no column "x". | Did you mean "x_mm"?' in error
    assert "landmarks: columns: x" in error


def test_many_problems_of_a_kind_are_shortened(tiny):
    """A user's decimal commas are in every cell: a screen is enough to say so."""
    rows = [f'A-2,jaw,,border.{n},"1,5",2,3' for n in range(3, 403)]
    tiny.write(FILE, tiny.read(FILE) + "\n".join(rows))
    told = tiny.told()
    assert "... and 395 more like it in this file" in told
    assert told.count("with a comma") == 5


def test_many_files_with_one_problem_are_shortened(tiny):
    """Every file of a user misspells the same landmark."""
    for n in range(30):
        tiny.write(f"landmarks/jaw/X{n}.csv", f"{HEADER}\nA-1,jaw,r{n},tippp,1,2,3\n")
    told = tiny.told()
    assert '"tippp"' in told
    assert told.count('"tippp"') == 5
    assert "... and the like in 25 more files" in told


def test_different_problems_of_several_files_come_at_once(tiny):
    """A user with slips in five files hears of all."""
    tiny.write("study.yaml", tiny.read("study.yaml") + "sed: 3\n")
    tiny.edit("schemes/ring.yaml", "midline: [roof]", "midline: [rof]")
    tiny.edit("specimens.csv", "A-3,marsh dormouse,known", "A-3,marsh dormouse,")
    set_row(tiny, "heel", "A-2,jaw,,heel,abc,1,2")
    tiny.edit("landmarks/jaw/B-1.csv", "tip", "tipp")
    told = tiny.told()
    for expected in (
        'study.yaml\n  error, line 9: The key "sed" is not known',
        "schemes/ring.yaml",
        "specimens.csv\n  error, line 4, specimen A-3: role is blank",
        f'{FILE}\n  error, line 4, element jaw, specimen A-2, landmark heel: x is "abc"',
        'error, line 2, element jaw, specimen B-1: The landmark "tipp"',
    ):
        assert expected in told


@pytest.mark.parametrize(
    ("text", "number"),
    [("1", 1), ("-1.5", -1.5), ("+.5", 0.5), ("2.", 2), ("1e-3", 0.001), ("−3", -3), (" 4 ", 4)],
)
def test_plain_numbers_are_read(text, number):
    """A number in any of the plain ways of writing it."""
    assert parse_coordinate(text) == number


@pytest.mark.parametrize(
    ("ratio", "stated", "unit"),
    [(1000, "mm", "um"), (0.1, "mm", "cm"), (1 / 25.4, "mm", "inch"), (0.001, "mm", "m"),
     (10, "cm", "mm"), (25.4, "inch", "mm"), (100, "mm", None)],
)  # fmt: skip
def test_the_unit_that_would_mend_it(ratio, stated, unit):
    """Bones look ratio times too large when their unit was mistaken for the stated one."""
    assert probable_unit(ratio, stated) == unit


@pytest.mark.parametrize("column", ["specimen", "landmark"])
def test_a_wrong_column_of_many_names_is_told_in_seconds(tiny, column):
    """A user maps a column of 20000 different numbers: no long search for misspellings."""
    rows = [f"{n},A-1,jaw,tip,1,2,3" for n in range(20_000)]
    tiny.write(FILE, "\n".join(["number,specimen,element,landmark,x,y,z", *rows]))
    for file in (tiny.folder / "landmarks").rglob("*.csv"):
        if str(file).endswith(FILE):
            continue
        file.write_text(file.read_text().replace(f"{column},", "number,", 1))
    tiny.edit("study.yaml", "*.csv\n", f"*.csv\n  columns: {{{column}: number}}\n")
    start = time.process_time()
    told = tiny.told()
    assert time.process_time() - start < 20
    assert "... and 19995 more like it in this file" in told
