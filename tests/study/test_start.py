"""A study to start from."""

import re

import pytest
import yaml

from morpho.study.check import check_study
from morpho.study.reading.problems import StudyError
from morpho.study.reading.schemas import load_schema
from morpho.study.scheme.reading import read_scheme
from morpho.study.settings.config import read_config
from morpho.study.settings.schema import study_schema
from morpho.study.start import FILES, SCHEME, STUDY, start_study

PLACES = {
    "near_end_front": (1, 1, 0),
    "near_end_back": (0, 4, 1),
    "shaft_middle": (15, 2, 3),
    "far_end_front": (30, 0, 1),
    "far_end_back": (30, 5, -1),
}


def fill_in(folder):
    """Do what the texts tell the user to do."""
    names = [f"{taxon}-{n}" for taxon in ("a", "b") for n in range(4)] + ["new"]
    rows = [f"{n},{'' if n == 'new' else n[0]},{'query' if n == 'new' else 'known'},,"
            for n in names]  # fmt: skip
    with (folder / "specimens.csv").open("a") as file:
        file.write("\n".join(rows) + "\n")
    lines = ["specimen,element,replicate,observer,landmark,x,y,z"]
    for i, name in enumerate(names):
        for landmark, (x, y, z) in PLACES.items():
            lines.append(f"{name},bone,,,{landmark},{x + 0.1 * i},{y - 0.02 * i * x},{z}")
    (folder / "landmarks" / "all.csv").write_text("\n".join(lines))


def test_a_new_study_is_fine_once_its_tables_are_filled_in(tmp_path):
    """A user follows the commented files: nothing is left to put right."""
    folder = tmp_path / "my study"
    written = start_study(folder)
    assert sorted(str(p.relative_to(folder)) for p in written) == sorted(FILES)
    assert set(check_study(folder)[1].errors) != set()
    fill_in(folder)
    study, problems = check_study(folder)
    assert problems.render(["error", "warning"]) == ""
    assert len(study.landmarks["bone"]) == 45


def uncommented(text):
    """Delete the # of every line that has a key behind it."""
    lines = []
    for line in text.splitlines():
        match = re.match(r"( *)# ( *(?:[a-z_]+:(?: |$)|- ).*)$", line)
        lines.append(match[1] + match[2] if match else line)
    return "\n".join(lines)


def test_the_commented_keys_are_right(tmp_path):
    """A user deletes the # of every key: the study has the defaults, spelt out."""
    start_study(tmp_path / "plain")
    start_study(tmp_path / "all")
    text = uncommented(STUDY)
    (tmp_path / "all" / "study.yaml").write_text(text)
    plain = read_config(tmp_path / "plain").settings.plain()
    spelt = read_config(tmp_path / "all").settings.plain()
    for part in ("specimens", "landmarks"):
        assert spelt[part].pop("columns") == {
            name: name for name in study_schema()["properties"][part]["properties"][
                "columns"]["properties"]
        }  # fmt: skip
        plain[part].pop("columns")
    assert spelt.pop("scans") == {
        "files": "scans/{element}/{specimen}.ply", "units": "mm", "units_of": {}
    }  # fmt: skip
    assert spelt["tests"].pop("difference") == 0.05  # an example: its default is the sample's own
    assert spelt == plain


def keys(schema):
    for key, below in schema.get("properties", {}).items():
        yield key
        yield from keys(below)
    if isinstance(schema.get("items"), dict):
        yield from keys(schema["items"])


@pytest.mark.parametrize(
    ("schema", "text"), [(study_schema(), STUDY), (load_schema("scheme"), SCHEME)]
)
def test_every_key_is_explained_in_the_commented_files(schema, text):
    """A user finds each key in the file that formkin new writes."""
    for key in keys(schema):
        assert re.search(rf"[^a-z_]{key}:", text), key


def test_the_example_scheme_is_yaml_with_and_without_comments():
    """A user deletes the # in the scheme."""
    assert len(yaml.safe_load(SCHEME)["landmarks"]) == 5
    spelt = yaml.safe_load(uncommented(SCHEME))
    assert set(spelt) >= {"curves", "patches", "modules", "axes", "measurements"}
    assert len(spelt["standard_length"]) == 2


def test_the_measurements_of_the_example_scheme_are_right(tmp_path):
    """A user deletes the # of the measurements: a distance, an angle, a ratio, and no problem."""
    start_study(tmp_path)
    path = tmp_path / "schemes" / "bone.yaml"
    plain, spelt = yaml.safe_load(SCHEME), yaml.safe_load(uncommented(SCHEME))
    plain |= {key: spelt[key] for key in ("measurements", "standard_length")}
    path.write_text(yaml.safe_dump(plain))
    scheme = read_scheme(path, "bone")
    assert [len(measurement.points) for measurement in scheme.measurements] == [2, 3, 4]
    assert scheme.standard_length == ("near_end_front", "far_end_front")


@pytest.mark.parametrize("name", list(FILES))
def test_nothing_is_overwritten(tmp_path, name):
    """A user names a folder that has a study in it: it stays as it is."""
    path = tmp_path / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("mine")
    with pytest.raises(StudyError, match=rf'"{name}" is there already'):
        start_study(tmp_path)
    assert path.read_text() == "mine"
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [path]


def test_a_file_in_the_way_is_said(tmp_path):
    """A user names a file."""
    (tmp_path / "x").write_text("mine")
    with pytest.raises(StudyError, match="This is a file, not a folder"):
        start_study(tmp_path / "x")


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    """A user names a folder below a file; nothing is left behind."""
    (tmp_path / "x").write_text("mine")
    with pytest.raises(StudyError, match="This file cannot be written"):
        start_study(tmp_path / "x" / "study")
