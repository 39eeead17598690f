"""Path patterns and file names made from specimens' names."""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morpho.study.reading.paths import PathPattern, safe_name
from morpho.study.settings.config import read_config
from morpho.study.settings.privacy import WHY, kept_back, places_by_values, speaks_of_place

SECRET = "solid x\nendsolid x\n"


@given(st.text(min_size=1, max_size=200))
def test_a_safe_name_is_one_part_of_a_path(name):
    """Whatever a specimen is called, its file stays in the folder of the scans."""
    safe = safe_name(name)
    assert safe
    assert safe not in {".", ".."}
    assert not set(safe) & set('/\\:*?"<>|\x00\n')
    assert Path("/scans", safe).parent == Path("/scans")


@pytest.mark.parametrize("name", ["../secret", "..", "/etc/x", "a/../../secret", "..\\secret"])
def test_scans_are_never_read_from_outside(tiny, name):
    """A specimen's name with dots and slashes does not lead out of the scans' folder."""
    tiny.write(
        "study.yaml", tiny.read("study.yaml") + "scans: {files: 's/{element}/{specimen}.stl'}\n"
    )
    tiny.write("s/jaw/ok.stl", SECRET)
    tiny.write("s/secret.stl", SECRET)
    tiny.write("secret.stl", SECRET)
    assert read_config(tiny.path).scan_file("jaw", name) is None
    inside = tiny.write(f"s/jaw/{safe_name(name)}.stl", SECRET)
    assert read_config(tiny.path).scan_file("jaw", name) == inside


def test_values_come_from_the_path(tmp_path):
    """A user's files are named by element, specimen and replicate."""
    for name in ("jaw/A-1_first.csv", "jaw/A-1_second.csv", "ring/B.csv"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    pattern = PathPattern("{element}/{specimen}_{replicate}.csv", tmp_path)
    files = pattern.files(element="jaw")
    assert [file.name for file in files] == ["A-1_first.csv", "A-1_second.csv"]
    assert pattern.values(files[1]) == {
        "element": "jaw",
        "specimen": "A-1",
        "replicate": "second",
    }
    assert pattern.files(element="ring") == []


def test_only_stars_and_braces_are_special(tmp_path):
    """A user's folder has brackets and a plus in its name, and hidden files lie about."""
    folder = tmp_path / "my {study} [1] *"
    folder.mkdir()
    for name in ("a[1].csv", "a1.csv", ".hidden.csv", "._a[1].csv"):
        (folder / name).write_text("x")
    (folder / "a[2].csv").mkdir()
    assert [f.name for f in PathPattern("a[1].csv", folder).files()] == ["a[1].csv"]
    assert [f.name for f in PathPattern("*.csv", folder).files()] == ["a1.csv", "a[1].csv"]


def test_a_star_stays_within_one_name(tmp_path):
    """A user's * does not reach into folders."""
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "b.csv").write_text("x")
    (tmp_path / "a.csv").write_text("x")
    assert [f.name for f in PathPattern("**.csv", tmp_path).files()] == ["a.csv"]


def test_files_beside_and_above_the_study_are_found(tmp_path):
    """A user's data lie in another folder than study.yaml."""
    (tmp_path / "study").mkdir()
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "a.csv").write_text("x")
    for pattern in ("../data/{specimen}.csv", str(tmp_path / "data" / "{specimen}.csv")):
        found = PathPattern(pattern, tmp_path / "study")
        assert found.files() == [tmp_path / "data" / "a.csv"]
        assert found.values(found.files()[0]) == {"specimen": "a"}


def test_a_scan_is_found_in_either_form_of_an_accent(tiny):
    """A scan's name came from a computer that takes é for e and an accent."""
    tiny.write(
        "study.yaml", tiny.read("study.yaml") + "scans: {files: 's/{element}/{specimen}.stl'}\n"
    )
    path = tiny.write(f"s/jaw/{unicodedata.normalize('NFD', 'Café')}.stl", SECRET)
    assert read_config(tiny.path).scan_file("jaw", "Café") == path


def test_a_name_of_200_letters_of_four_bytes_has_no_scan(tiny):
    """A name too long for the file system is no crash."""
    tiny.write(
        "study.yaml", tiny.read("study.yaml") + "scans: {files: 's/{element}/{specimen}.stl'}\n"
    )
    assert read_config(tiny.path).scan_file("jaw", "𐍈" * 200) is None


PLACES = [
    "locality", "Locality", "type_locality", "siteName", "Site", "lat", "Lat.", "LON", "long",
    "long_dd", "decimalLatitude", "decimallongitude", "GPS_E", "coordinates", "grid reference",
    "gridref", "UTM zone", "find_spot", "Fundort", "Fundstelle_Nr", "Längengrad", "localité",
    "coordonnées", "gisement", "yacimiento", "latitud", "località", "vindplaats", "stanowisko",
    "местонахождение", "产地", "northing", "quarry",
]  # fmt: skip
HARMLESS = [
    "sex", "stage", "length_mm", "long_bone", "plateau", "opposite", "lateral", "composite",
    "parasite", "oblong", "collector", "latest", "gridded", "belongs", "age", "inventory",
]  # fmt: skip


@pytest.mark.parametrize("column", PLACES)
def test_columns_that_tell_a_place_are_private(column):
    """A user's table tells where the bone was found, in whatever words."""
    assert speaks_of_place(column)


@pytest.mark.parametrize("column", HARMLESS)
def test_other_columns_are_not_private(column):
    """A column is not lost for a few letters in its name."""
    assert not speaks_of_place(column)


def test_listed_columns_are_private():
    """A user lists one more column, and says of another that it tells no place."""
    columns, rows = ["sex", "donor", "site", "grid"], [("f", "N.", "a cave", "5 mm")]
    found = kept_back(columns, rows, private=["donor"], public=["grid"])
    assert found == {"donor": "listed", "site": "name"}


BY_VALUES = {
    "hemisphere": ["N 47", "N 46 58", "S12.5"],
    "hemisphere behind": ["47.2 N", "8 E", "12°"],
    "degrees and minutes": ["", "", "found at 47° 12\u2032 in May"],
    "a pair in one cell": ["47.1234, 8.4567", "", "?"],
    "UTM": ["32T 465005 5247000", "32 U 465005E 5247000N", ""],
    "MGRS": ["32TMT6500547000", "32T MT 650 470", ""],
    "metres": ["2600000/1200000", "2600100 / 1200300", ""],
    "map letters": ["SU 123 456", "SU 124 457", ""],
    "code": ["8FVC9G8F+6X", "", ""],
}
NOT_BY_VALUES = {
    "numbers": ["12.345", "11.2", "9"],
    "inventory": ["MN 12345", "MN 12346", "E1"],
    "dates": ["2024-05-01", "2023-11-30", "1999-01-01"],
    "two measurements in a cell": ["12.3, 4.5", "11.2, 4.4", ""],
    "sizes": ["12 x 30", "11 x 29", ""],
    "one in four": ["N 4", "b", "c", "d"],
    "initials": ["A. B.", "C. D.", "N."],
}


@pytest.mark.parametrize("cells", BY_VALUES.values(), ids=BY_VALUES)
def test_cells_that_look_like_a_place_are_kept_back(cells):
    """The column's name says nothing, and its cells lead to the site."""
    assert places_by_values(["note_7"], [(cell,) for cell in cells]) == {"note_7": "values"}
    assert kept_back(["q"], [(cell,) for cell in cells], public=["q"]) == {}
    assert kept_back(["q"], [(cell,) for cell in cells], ours=["q"]) == {}


@pytest.mark.parametrize("cells", NOT_BY_VALUES.values(), ids=NOT_BY_VALUES)
def test_other_cells_are_not_kept_back(cells):
    assert places_by_values(["q"], [(cell,) for cell in cells]) == {}


def test_degrees_in_two_columns_are_kept_back():
    """Decimal degrees side by side; measurements are not, nor numbers that are none."""
    rows = [("47.12345", "8.54321", "a"), ("46.95121", "7.43899", "b")]
    assert kept_back(["p", "q", "r"], rows) == {"p": "values", "q": "values"}
    assert kept_back(["length", "width", "r"], rows) == {}
    assert kept_back(["p", "q"], [("147.12345", "208.54321")]) == {}


def test_columns_that_may_lead_to_a_place_are_asked_about():
    """Elevation, horizon, free remarks: by their names, and remarks by their length."""
    columns = ["elevation_m", "Horizont", "Bemerkung", "sex", "text"]
    long = "seen by the river behind the old mill near town"
    assert kept_back(columns, [("412", "B2", "", "f", long)]) == {
        "elevation_m": "elevation", "Horizont": "horizon", "Bemerkung": "remarks",
        "text": "remarks",
    }  # fmt: skip
    assert set(WHY) == {"listed", "name", "values", "elevation", "horizon", "remarks"}
