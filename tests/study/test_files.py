"""Path patterns and file names made from specimens' names."""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morpho.study.reading.paths import PathPattern, safe_name
from morpho.study.settings.config import read_config
from morpho.study.settings.privacy import private_columns, speaks_of_place

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
    """A user lists one more column."""
    assert private_columns(["sex", "donor", "site"], ["donor"]) == ["donor", "site"]
