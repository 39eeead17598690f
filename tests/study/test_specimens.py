"""The specimen table: what is refused, warned of, or taken as it is."""

import unicodedata

import pytest

from morpho.study.reading.problems import Problems, StudyError
from morpho.study.settings.config import read_config
from morpho.study.specimens import gather_specimens, read_specimens

LINE = "A-2,marsh dormouse,known,left,adult"


def found(tiny):
    problems = Problems(base=tiny.folder)
    frame = gather_specimens(read_config(tiny.path), problems)
    return frame, problems


def test_the_table_is_read(tiny):
    """A user's table, with an extra column."""
    text = tiny.read("specimens.csv").replace("stage\n", "stage,sex\n", 1)
    head, *rows = text.splitlines()
    tiny.write("specimens.csv", "\n".join([head, *(row + ",f" for row in rows)]))
    frame = read_specimens(read_config(tiny.path))
    assert list(frame.columns) == ["taxon", "role", "side", "stage", "sex"]
    assert frame.index.name == "specimen"
    assert list(frame.loc["Q-1"]) == ["", "query", "left", "adult", "f"]


def test_the_order_of_rows_has_no_bearing(tiny):
    """A user sorts the table anew: the same specimens come out."""
    before = read_specimens(read_config(tiny.path))
    head, *rows = tiny.read("specimens.csv").splitlines()
    tiny.write("specimens.csv", "\n".join([head, *reversed(rows)]))
    assert read_specimens(read_config(tiny.path)).equals(before)


REFUSED = {
    "duplicate": ("A-1,marsh dormouse,known,left,adult", "stands twice; it is in line 2 already"),
    "no name": (",marsh dormouse,known,left,adult", "The specimen has no name"),
    "blank role": ("A-2,marsh dormouse,,left,adult", "specimen A-2: role is blank(.|\n)*known for"),
    "misspelt role": ("A-2,marsh dormouse,qery,left,adult", 'role is "qery"(.|\n)*mean query'),
    "no taxon": ("A-2,,known,left,adult", "A known specimen without a taxon(.|\n)*make it a query"),
    "side": ("A-2,marsh dormouse,known,both,adult", 'side is "both"(.|\n)*left, right, l, r or'),
    "control character": ("A-\x072,marsh dormouse,known,left,adult", r"specimen is .A-\\x072"),
    "line break in a name": ('"A\n2",marsh dormouse,known,left,adult', r"A\\n2.*line break"),
    "long name": ("N" * 201 + ",marsh dormouse,known,left,adult", "has 201 characters; 200 are"),
    "ragged": ("A-2,marsh dormouse,known", "This row has 3 cells where the header has 5"),
}


@pytest.mark.parametrize(("row", "expected"), REFUSED.values(), ids=REFUSED.keys())
def test_slips_in_a_row_are_told(tiny, row, expected):
    """A user makes a slip in the third line of the table."""
    tiny.edit("specimens.csv", LINE, row)
    with pytest.raises(StudyError, match=rf"(?s)specimens.csv\n  error, line 3.*{expected}"):
        read_specimens(read_config(tiny.path))


NAMES = [
    "spaces in it", "a/b", "../../up", "..", "comma, inside", 'quote " inside', "apostrophe's",
    "Ж-1", "化石1", "أحفورة", "é", "-1", "=1+1", "0012", "1e5", "NA", "None", "<b>bold</b>",
    "#1", "'x'", "N" * 200, "𐍈" * 200, "a\\b", "%s", "{x}", "💀",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_any_name_is_taken_as_text(tiny, name):
    """A museum number is a name, whatever it looks like."""
    cell = '"' + name.replace('"', '""') + '"'
    tiny.edit("specimens.csv", "A-2,", f"{cell},")
    frame = read_specimens(read_config(tiny.path))
    assert name in frame.index
    for file in ("landmarks/jaw/A-2.csv", "landmarks/ring/A-2.csv"):
        tiny.write(file, tiny.read(file).replace("A-2,", f"{cell},"))
    assert tiny.errors() == []


@pytest.mark.parametrize("side, meant", [("l", "left"), ("R", "right"), ("LEFT", "left"), ("", "")])  # noqa: PT006
def test_sides_are_understood(tiny, side, meant):
    """A user abbreviates the side."""
    tiny.edit("specimens.csv", LINE, f"A-2,marsh dormouse,known,{side},adult")
    assert read_specimens(read_config(tiny.path)).loc["A-2", "side"] == meant


def test_white_space_is_trimmed_with_a_note(tiny):
    """A name has a space before and after it: it is left out, and said."""
    tiny.edit("specimens.csv", LINE, "  A-2 ,marsh dormouse , known,left ,adult")
    frame, problems = found(tiny)
    assert "A-2" in frame.index
    assert frame.loc["A-2", "role"] == "known"
    assert not problems.errors
    assert 'line 3, specimen A-2: specimen is "  A-2 ", with white space' in problems.render()
    assert 'taxon is "marsh dormouse "' in problems.render()


@pytest.mark.parametrize(
    "other",
    ["a-1", "A -1", "Ａ-1", "A\u200b-1"],
    ids=["capitals", "white space", "wide letter", "invisible letter"],
)
def test_names_that_look_alike_are_warned_of(tiny, other):
    """Two names differ only in what cannot be seen well."""
    tiny.edit("specimens.csv", "A-2,", f"{other},")
    _, problems = found(tiny)
    assert not problems.errors
    assert "differ only in capitals, white space" in problems.render(["warning"])


def test_names_that_differ_in_normal_form_are_warned_of(tiny):
    """The same accent is encoded in two ways: the warning spells them out."""
    tiny.edit("specimens.csv", "A-1,", "é,")
    tiny.edit("specimens.csv", "A-2,", unicodedata.normalize("NFD", "é") + ",")
    frame, problems = found(tiny)
    assert len(frame) == 9
    assert r'"\xe9" and "e\u0301"' in problems.render(["warning"])


def test_names_with_the_same_file_name_are_refused(tiny):
    """Two specimens would share a scan."""
    tiny.write(
        "study.yaml", tiny.read("study.yaml") + "scans: {files: 's/{element}/{specimen}.ply'}\n"
    )
    tiny.edit("specimens.csv", "A-1,", "A/1,")
    tiny.edit("specimens.csv", "A-2,", "A:1,")
    _, problems = found(tiny)
    assert 'The specimens "A/1" and "A:1" would have the same file name, "A_1"' in problems.render()


def test_misspelt_taxa_are_warned_of(tiny):
    """One specimen's taxon is a slip of the pen."""
    tiny.edit("specimens.csv", LINE, "A-2,marsh dormuose,known,left,adult")
    _, problems = found(tiny)
    assert not problems.errors
    assert (
        'line 3: The taxon "marsh dormuose" (1 specimen) is written almost like '
        '"marsh dormouse" (3)'
    ) in problems.render()


def test_taxa_that_differ_in_capitals_are_warned_of(tiny):
    """One specimen's taxon has a capital."""
    tiny.edit("specimens.csv", LINE, "A-2,Marsh dormouse,known,left,adult")
    _, problems = found(tiny)
    assert "they are taken for different taxa" in problems.render(["warning"])
    assert problems.render().count("warning") == 1


def test_numbered_taxa_are_no_misspellings(tiny):
    """Species 1 and species 2 are two taxa."""
    text = tiny.read("specimens.csv")
    tiny.write("specimens.csv", text.replace("marsh dormouse", "species 1").replace(
        "ridge dormouse", "species 2"))  # fmt: skip
    tiny.edit("specimens.csv", "A-2,species 1", "A-2,species 3")
    assert len(found(tiny)[1]) == 0


@pytest.mark.parametrize("taxon", ["?", "NA", "unknown"])
def test_a_placeholder_for_a_taxon_is_warned_of(tiny, taxon):
    """A known specimen's taxon is a question mark."""
    tiny.edit("specimens.csv", LINE, f"A-2,{taxon},known,left,adult")
    assert f'A known specimen whose taxon is "{taxon}"' in found(tiny)[1].render(["warning"])


@pytest.mark.parametrize("sign", ["=", "+", "-", "@"])
def test_a_name_that_a_spreadsheet_takes_for_a_formula_is_noted(tiny, sign):
    """A specimen's name begins with a sign that spreadsheets reckon with: a note, no more."""
    tiny.edit("specimens.csv", "A-2,", f"{sign}2,")
    frame, problems = found(tiny)
    assert f"{sign}2" in frame.index
    (note,) = problems
    assert (note.severity, note.line, note.specimen) == ("note", 3, f"{sign}2")
    assert note.found == (
        f'The specimen\'s name begins with "{sign}": a spreadsheet takes this for a formula.'
    )
    assert "open tables.xlsx of the supplement" in note.remedy
    assert note.remedy.endswith("or rename it.")


def test_a_taxon_that_a_spreadsheet_takes_for_a_formula_is_noted_once(tiny):
    """All specimens of a taxon whose name begins with @: it is noted at the first."""
    tiny.write("specimens.csv", tiny.read("specimens.csv").replace("marsh", "@marsh"))
    _, problems = found(tiny)
    (note,) = problems
    assert (note.severity, note.line, note.specimen) == ("note", 2, None)
    assert note.found.startswith('The taxon "@marsh dormouse" begins with "@": a spreadsheet')
    assert "tables.xlsx" in note.remedy


@pytest.mark.parametrize("name", ["A=2", "A+2", "A-2x", "A@2", "2", "#2"])
def test_such_a_sign_within_a_name_is_nothing_to_note(tiny, name):
    """A museum number has a hyphen within it, as most have."""
    tiny.edit("specimens.csv", "A-2,", f"{name},")
    assert len(found(tiny)[1]) == 0


def test_a_dash_for_an_unknown_taxon_is_no_formula(tiny):
    """A user writes - for the query's taxon."""
    tiny.edit("specimens.csv", "Q-1,,", "Q-1,-,")
    assert len(found(tiny)[1]) == 0


def test_columns_can_be_mapped(tiny):
    """A user's table has German column names and semicolons."""
    text = tiny.read("specimens.csv").replace("specimen,taxon,role", "Nr,Art,Rolle", 1)
    tiny.write("specimens.csv", text.replace(",", ";"))
    tiny.edit(
        "study.yaml",
        "  file: specimens.csv",
        "  file: specimens.csv\n  columns: {specimen: Nr, taxon: Art, role: Rolle}",
    )
    assert read_specimens(read_config(tiny.path)).loc["B-1", "taxon"] == "ridge dormouse"


def test_a_mapped_column_must_be_there(tiny):
    """A user maps a column that the table lacks, though it might be left out."""
    tiny.edit("study.yaml", "  file: specimens.csv", "  file: specimens.csv\n  columns: {stage: x}")
    with pytest.raises(StudyError, match='There is no column "x"'):
        read_specimens(read_config(tiny.path))


def test_a_column_mapped_beside_ours_is_refused(tiny):
    """It would not be clear which column is the taxon."""
    tiny.edit("specimens.csv", "side,", "species,")
    tiny.edit(
        "study.yaml", "  file: specimens.csv", "  file: specimens.csv\n  columns: {taxon: species}"
    )
    with pytest.raises(StudyError, match="there is a column taxon as well"):
        read_specimens(read_config(tiny.path))


def test_a_private_column_that_is_not_there_is_refused(tiny):
    """A user misspells the column to be kept back: it must not get out by that."""
    tiny.edit("study.yaml", "  file: specimens.csv", "  file: specimens.csv\n  private: [stag]")
    [error] = tiny.errors()
    assert error.startswith('study.yaml:4 None None: The private column "stag" is in no table')
    assert 'Did you mean "stage"?' in error


@pytest.mark.parametrize(
    ("lists", "found"),
    [
        ("private: [stage]", 'The column "stage" is listed as private, but it is read as stage'),
        ("private: [sex]\n  public: [sex]", 'The column "sex" is listed as private and as public'),
    ],
)
def test_lists_that_cannot_be_kept_are_refused(tiny, lists, found):
    """A user lists a column that the results tell, or one in both lists."""
    table = tiny.read("specimens.csv").replace("adult", "adult,f").replace("stage", "stage,sex")
    tiny.write("specimens.csv", table)
    tiny.edit("study.yaml", "  file: specimens.csv", f"  file: specimens.csv\n  {lists}")
    [error] = tiny.errors()
    assert found in error


def test_a_table_without_rows_is_refused(tiny):
    """A user has not filled in the table yet."""
    tiny.write("specimens.csv", "specimen,taxon,role\n")
    with pytest.raises(StudyError, match="There is no specimen in the table"):
        read_specimens(read_config(tiny.path))
