"""What once ended in a traceback, or did not end: refused in words, with file and line."""

import os

import pytest

from morpho.study.landmarks.reading import gather_landmarks
from morpho.study.reading.problems import Problems
from morpho.study.scheme.reading import gather_scheme, usable_names
from morpho.study.settings.config import gather_config


def told_of_config(tiny):
    """Errors of study.yaml alone, as ``line: found | remedy``, and what could be used of it."""
    problems = Problems()
    config = gather_config(tiny.path, problems)
    return [f"{one.line}: {one.found} | {one.remedy}" for one in problems.errors], config


def test_a_header_that_stands_twice(tiny):
    rows = [f"{row},{row.split(',')[0]}" for row in tiny.read("specimens.csv").splitlines()]
    tiny.write("specimens.csv", "\n".join(rows) + "\n")
    [error] = tiny.errors()
    assert error.startswith(
        'specimens.csv:1 None None: The column "specimen" stands twice, as column 1 and 6.'
    )


MAPPED = {
    "two keys": ("specimens", "{specimen: name, taxon: name}", "both specimen and taxon", "name"),
    "a key and a name of ours": ("specimens", "{stage: taxon}", "both taxon and stage", "taxon"),
    "coordinates": ("landmarks", "{x: y}", "both y and x", "y"),
}


@pytest.mark.parametrize(("part", "columns", "both", "column"), MAPPED.values(), ids=MAPPED)
def test_columns_that_map_one_name_twice(tiny, part, columns, both, column):
    """One error, and none about what would be read from the wrong column."""
    file = {"specimens": "  file: specimens.csv", "landmarks": "  files: landmarks/{element}/*.csv"}
    tiny.edit("study.yaml", file[part], f"{file[part]}\n  columns: {columns}")
    told, config = told_of_config(tiny)
    line = 4 if part == "specimens" else 6
    assert told[0].startswith(f'{line}: {part}.columns takes {both} from the column "{column}". | ')
    assert len(told) == 1
    assert len(getattr(config.settings, part).columns) == columns.count(":") - 1


def test_columns_that_change_places_are_no_trouble(tiny):
    tiny.edit("study.yaml", "{element}/*.csv", "{element}/*.csv\n  columns: {x: y, y: x}")
    assert told_of_config(tiny)[0] == []


def test_a_landmark_called_true_is_a_name(tiny):
    """Also where another error makes of the scheme no more than its names."""
    tiny.edit("schemes/jaw.yaml", "{name: tip}", "{name: true}")
    usable = usable_names(tiny.folder / "schemes/jaw.yaml", "jaw")
    assert usable.landmark_names[0] == "true"
    errors = [one for one in tiny.errors() if "schemes" in one]
    assert errors
    assert all('names "tip", which is no landmark' in one for one in errors)
    tiny.write("schemes/jaw.yaml", tiny.read("schemes/jaw.yaml").replace("tip", "true"))
    problems = Problems()
    assert gather_scheme(tiny.folder / "schemes/jaw.yaml", "jaw", problems).outline[0][0] == "true"
    assert not len(problems)


def times(tiny, element, factor):
    for path in (tiny.folder / "landmarks" / element).glob("*.csv"):
        head, *rows = path.read_text().splitlines()
        cells = [row.split(",") for row in rows]
        rows = [",".join([*row[:4], *(repr(float(x) * factor) for x in row[4:])]) for row in cells]
        path.write_text("\n".join([head, *rows]) + "\n")


def test_coordinates_that_no_bone_has(tiny):
    """Of all sizes; a single one near nought is a place like any other."""
    tiny.edit("landmarks/jaw/A-1.csv", tiny.read("landmarks/jaw/A-1.csv").split(",")[10], "1e300")
    tiny.edit("landmarks/jaw/A-2.csv", tiny.read("landmarks/jaw/A-2.csv").split(",")[10], "1e-200")
    [error] = tiny.errors()
    assert error.startswith(
        'landmarks/jaw/A-1.csv:2 A-1 tip: x is "1e300", too large a number. | Look for a lost'
    )


@pytest.mark.parametrize("factor", [1e-200, 1e-320, 1e-8])
def test_bones_smaller_than_a_molecule(tiny, factor):
    times(tiny, "ring", factor)
    errors = tiny.errors()
    assert len(errors) == len(tiny.names)
    assert all("lie in one point. | Look whether the unit" in one for one in errors)


NUL = {
    "specimens": ("file: specimens.csv", 'file: "speci\\0mens.csv"', 3),
    "landmarks": ("files: landmarks/{element}/*.csv", 'files: "landmarks\\0/{element}/*.csv"', 5),
    "scheme": ("scheme: schemes/jaw.yaml", 'scheme: "schemes/\\0jaw.yaml"', 7),
    "half a character": ("title: A tiny study", 'title: "A \\uD83E study"', 1),
    "escape": ("title: A tiny study", 'title: "A \\e[2J study"', 1),
}


@pytest.mark.parametrize(("old", "new", "line"), NUL.values(), ids=NUL)
def test_control_characters_in_study_yaml(tiny, old, new, line):
    """Told once, and the rest is checked without them."""
    tiny.edit("study.yaml", old, new)
    [told], config = told_of_config(tiny)
    assert told.startswith(f"{line}: There is a control character in ")
    assert "\x00" not in repr(config.settings)


LONG = {
    "specimens": ("file: specimens.csv", f"file: {'s' * 300}.csv", 3),
    "landmarks": ("files: landmarks/{element}/*.csv", f"files: ['{'l' * 300}/*.csv', 'a.csv']", 5),
    "scheme": ("scheme: schemes/jaw.yaml", f"scheme: {'ä' * 130}/jaw.yaml", 7),
}


@pytest.mark.parametrize(("old", "new", "line"), LONG.values(), ids=LONG)
def test_paths_that_no_file_can_have(tiny, old, new, line):
    tiny.edit("study.yaml", old, new)
    told, _ = told_of_config(tiny)
    assert len(told) == 1
    assert told[0].startswith(f"{line}: There is a name of ")
    assert tiny.check().errors


def test_results_in_a_folder_that_no_folder_can_be(tiny):
    tiny.write("study.yaml", f"{tiny.read('study.yaml')}results: {'r' * 300}\n")
    [error] = tiny.errors()
    assert error.startswith("study.yaml:9 None None: There is a name of 300 characters")


def test_a_long_name_of_an_element(tiny):
    """And the message itself is of a length that can be read."""
    tiny.write("study.yaml", tiny.read("study.yaml").replace("jaw:", "j" * 300 + ":"))
    [told], config = told_of_config(tiny)
    assert "cannot be used" in told
    assert "60 at most" in told
    assert len(told) < 300
    assert config.elements == ("ring",)


@pytest.mark.parametrize(
    "name", ["study.yaml", "specimens.csv", "schemes/jaw.yaml", "landmarks/jaw/A-1.csv"]
)
def test_a_pipe_is_not_waited_on(tiny, name):
    path = tiny.folder / name
    path.unlink()
    os.mkfifo(path)
    told = " ".join(tiny.errors())
    assert f"{name}:None" in told
    assert "This is a pipe, not a file." in told


def test_paths_that_cannot_be_looked_for(tiny):
    """Where a path comes from elsewhere than study.yaml, nothing is found by it."""
    problems = Problems()
    config = gather_config(tiny.path, problems)
    pattern = config.landmark_patterns[0]
    assert pattern.files(element="a\x00b") == []
    assert pattern.files(element="e" * 5000) == []
    assert gather_landmarks(config, {}, None, problems) == {}
