"""What will be published is said before it is, and what would get out by another way."""

import pytest

from morpho.cli import _publication
from morpho.study.check import check_study
from morpho.study.leaks import Sought, text_of
from morpho.study.public_inputs import private_texts, public_content
from morpho.study.public_names import PublicNames
from morpho.study.settings.config import read_config

SECRET = "Hollow Gorge, north wall"


@pytest.fixture
def told(tiny):
    """A study with columns of every kind."""
    head, *rows = tiny.read("specimens.csv").splitlines()
    cells = [f'"{SECRET}",41{i},red,47.1{i}345,8.2{i}345' for i in range(len(rows))]
    rows = [f"{row},{cell}" for row, cell in zip(rows, cells, strict=True)]
    tiny.write("specimens.csv", "\n".join([f"{head},locality,altitude,hue,p,q", *rows]) + "\n")
    return tiny


def test_the_check_says_what_is_published(told):
    study, problems = check_study(told.folder)
    assert not problems.errors
    lines = _publication(study)
    assert lines[1] == (
        "  specimen table: specimen, taxon, role, side, stage and hue; kept back: locality (its "
        "name speaks of a place), altitude (it may tell an elevation), p (its values look like a "
        "place) and q (its values look like a place)"
    )
    assert lines[2] == (
        "  landmark tables (18): specimen, element, replicate, landmark, x, y and z; "
        "kept back: none"
    )
    assert lines[3].endswith("of the specimen table: specimen, taxon, role, side and stage")
    asked = [one.found.split('"')[1] for one in problems if "kept back from" in one.found]
    assert asked == ["altitude", "p", "q"]


def test_what_is_listed_is_published_and_not_asked_about(told):
    told.edit("study.yaml", "  file: specimens.csv", "  file: specimens.csv\n"
              "  public: [altitude, p, locality]\n  private: [q, hue]")  # fmt: skip
    study, problems = check_study(told.folder)
    assert not [one for one in problems if "kept back from" in one.found]
    table = public_content(study.config, "specimens", told.folder / "specimens.csv")
    head = table.decode().splitlines()[0]
    assert head == "specimen,taxon,role,side,stage,locality,altitude,p"


def test_a_column_of_a_landmark_table_is_asked_about_once(tiny):
    for path in (tiny.folder / "landmarks/jaw").glob("*.csv"):
        head, *rows = path.read_text().splitlines()
        path.write_text(
            "\n".join([f"{head},map", *(f"{row},32T MT 650 470" for row in rows)]) + "\n"
        )
    found = [one for one in tiny.check() if "kept back from" in one.found]
    assert len(found) == 1
    tiny.edit("study.yaml", "  file: specimens.csv", "  file: specimens.csv\n  private: [map]")
    assert not [one for one in tiny.check() if "map" in one.found]


WAYS = {
    "scheme": ("schemes/jaw.yaml", "symmetry: matching", "symmetry: matching\ndescription: {}"),
    "title": ("study.yaml", "A tiny study", "'A study of {}'"),
    "table": ("specimens.csv", ",red,", ",{},"),
}


@pytest.mark.parametrize(("file", "old", "new"), WAYS.values(), ids=WAYS)
def test_the_check_warns_of_what_would_stop_the_archive(told, file, old, new):
    """A part of the cell within another text, in other capitals; the message does not say it."""
    for text in ("of the HOLLOW  gorge", "seen in Northern Hollow"):
        before = told.read(file)
        told.edit(file, old, new.format(text))
        warned = [one for one in told.check().warnings if "no archive" in one.found]
        told.write(file, before)
        if "gorge" in text:
            [one] = warned
            assert one.file == told.folder / file
            assert 'What "locality" holds in line 2 of specimens.csv' in one.found
            assert "gorge" not in f"{one.found}{one.remedy}".lower()
        else:
            assert warned == []


def test_what_is_looked_for(told):
    """Whole cells and parts of a place, coordinates; no elevation, and no name of a taxon."""
    found = set(private_texts(read_config(told.path)))
    assert {SECRET, "Hollow Gorge", "north wall", "47.10345", "8.20345"} <= found
    assert not {"410", "red"} & found
    told.edit("study.yaml", "  file: specimens.csv", "  file: specimens.csv\n"
              "  public_words: [north wall]")  # fmt: skip
    assert "north wall" not in private_texts(read_config(told.path))
    told.write("specimens.csv", told.read("specimens.csv").replace(SECRET, "marsh dormouse"))
    assert "marsh dormouse" not in private_texts(read_config(told.path))


@pytest.mark.parametrize(
    ("text", "there"),
    [("by Ross.", True), ("Across", False), ("ross_12", True), ("Ross12", True), ("(ROSS)", True),
     ("at 47.10345,8", True), ("147.10345", False), ("47.103456", False), ("大産地図", True)],
)  # fmt: skip
def test_texts_are_found_as_words(text, there):
    assert bool(Sought(["Ross", "47.10345", "産地"]).found(text)) == there


def test_texts_are_found_through_markup_and_escapes():
    ways = {
        "a.html": b"<td>Hollow&nbsp;Gorge</td>", "a.svg": b"<text>Hollow\nGorge</text>",
        "a.json": b'"Hollow\\u0020Gorge"', "a.csv": b'x,"in Hollow  Gorge"',
        "a.md": b"Hollow\nGorge",
    }  # fmt: skip
    for name, content in ways.items():
        assert Sought(["Hollow Gorge"]).found(text_of(name, content)), name


def test_names_of_folders_are_left_out(tiny):
    """Placeholders stay, folders that a star passes over are numbered, files keep their names."""

    def paths(*names):
        return [tiny.folder / name for name in names]

    tiny.edit("study.yaml", "landmarks/{element}/*.csv", "from Hollow/{element} Gorge/*/*.csv")
    tiny.edit("study.yaml", "schemes/ring.yaml", "of Hollow/jaw.yaml")
    files = paths("from Hollow/jaw Gorge/b/A.csv", "from Hollow/jaw Gorge/a/A.csv",
                  "from Hollow/ring Gorge/c/A.csv")  # fmt: skip
    config = read_config(tiny.path)
    written = "from Hollow/{element} Gorge/*/*.csv"
    inputs = [
        ("specimens", "specimens.csv", tiny.folder / "specimens.csv"),
        ("scheme", "schemes/jaw.yaml", tiny.folder / "schemes/jaw.yaml"),
        ("scheme", "of Hollow/jaw.yaml", tiny.folder / "of Hollow/jaw.yaml"),
        *(("landmarks", written, path) for path in files),
    ]
    names = PublicNames(config, inputs)
    assert [names.name(path) for _, _, path in inputs] == [
        "specimens.csv", "schemes/jaw.yaml", "schemes/jaw_2.yaml", "landmarks/jaw/2/A.csv",
        "landmarks/jaw/1/A.csv", "landmarks/ring/1/A.csv",
    ]  # fmt: skip
    assert names.pattern("landmarks", written) == "landmarks/{element}/*/*.csv"
    assert names.name(tiny.folder / "from Hollow") == "landmarks"
    assert names.name(tiny.folder.parent / "other") == ""
    told = names.without_folders("as in from Hollow/jaw Gorge/b/A.csv, line 3")
    assert told == "as in landmarks/jaw/2/A.csv, line 3"
