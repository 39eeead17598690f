"""study.yaml: what is refused, and how it is said."""

import re
import subprocess
import sys

import pytest
import yaml

from morpho.steps.provenance import HISTORY
from morpho.study.reading.problems import StudyError
from morpho.study.reading.schemas import CONFIG_FOLDER
from morpho.study.settings.config import RESERVED, read_config
from morpho.workflow.plan import ALL_ELEMENTS
from morpho.workflow.records import FOLDER
from morpho.workflow.rules import RULES


def test_defaults_are_filled_in_at_all_depths(tiny):
    """A user writes the data paths only and gets every default."""
    config = read_config(tiny.path)
    assert config.elements == ("jaw", "ring")
    assert config.results == tiny.folder / "results"
    assert config.settings.preparation.missing.smallest_share == 0.75
    assert config.settings.landmarks.units == "mm"
    assert config.settings.tests.plain() == {
        "permutations": 9999,
        "alpha": 0.05,
        "smallest_taxon": 4,
        "covariance": "pooled",
        "folds": "leave_one_out",
    }
    assert config.settings.scans is None
    assert "scans" not in config.settings.plain()


def test_a_folder_stands_for_its_study_yaml(tiny):
    """A user names the folder instead of the file."""
    assert read_config(tiny.folder).path == tiny.path


def test_config_stays_light():
    """The workflow imports it at each start: no numpy, no pandas, no trimesh."""
    code = (
        "import sys, morpho.study.settings.config, morpho.workflow.input_digest;"
        "print([m for m in ('numpy', 'pandas', 'trimesh') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# What is added to or changed in study.yaml, the line and words that the refusal must have.
BAD = {
    "misspelt top key": ("tilte: x\n", r"line 9: The key \"tilte\" is not known.*Did you mean ti"),
    "misspelt inner key": (
        "tests:\n  permutation: 99\n",
        r"line 10: The key \"permutation\" is not known in tests.*Did you mean permutations\?",
    ),
    "key of another block": ("alpha: 0.01\n", r"line 9: .*\"alpha\".*alpha belongs under tests"),
    "alpha too large": ("tests:\n  alpha: 2\n", r"line 10: tests.alpha is 2\..*at most 0\.5"),
    "alpha of zero": ("tests:\n  alpha: 0\n", r"line 10: tests.alpha is 0\..*above 0"),
    "not a number": ("tests: {permutations: many}\n", r"line 9: .*is \"many\".*whole number"),
    "fraction of permutations": ("tests: {permutations: 9.5}\n", r"is 9\.5.*whole number"),
    "no for a word": ("figures: {outlines: no}\n", r"outlines is \"no\".*hulls or ellipses"),
    "misspelt choice": ("shape_space: {axes: paralel}\n", r"Did you mean parallel\?"),
    "empty value": ("seed:\n", r"line 9: seed is empty.*leave the line out"),
    "negative seed": ("seed: -1\n", r"seed is -1.*at least 0"),
    "true for a number": ("seed: true\n", r"seed is true.*whole number"),
    "not-a-number": ("tests: {alpha: .nan}\n", r"tests.alpha is \"\.nan\".*a number"),
    "list for a block": ("tests: [1, 2]\n", r"tests is a list of 2.*block of keys"),
    "empty terms": ("model: {terms: []}\n", r"model.terms is a list of 0.*at least 1"),
    "interaction of one": ("model: {terms: [[size]]}\n", r"model.terms item 1 is a list of 1"),
    "bad folds": ("tests: {folds: 1}\n", r"tests.folds is 1.*leave_one_out or a whole number"),
    "share above one": ("robustness: {smallest_share: 80}\n", r"share is 80.*at most 1"),
    "negative draws of error": ("robustness: {error_draws: -1}\n", r"draws is -1.*at least 0"),
    "too few subsamples": ("robustness: {rarefactions: 1}\n", r"rarefactions is 1.*at least 2"),
    "half a simulation": ("robustness: {simulations: 0.5}\n", r"is 0\.5.*whole number"),
    "draws in the wrong block": (
        "tests: {error_draws: 40}\n",
        r"\"error_draws\".*belongs under robustness",
    ),
    "yes for true": (
        "preparation:\n  semilandmarks:\n    patches: yes\n",
        r"line 11: preparation.semilandmarks.patches is \"yes\".*true or false",
    ),
    "no passes": ("preparation: {semilandmarks: {passes: 0}}\n", r"passes is 0.*at least 1"),
    "misspelt criterion": (
        "preparation: {semilandmarks: {criterion: procrustean}}\n",
        r"criterion is \"procrustean\".*Did you mean procrustes\?",
    ),
    "unknown treatment": (
        "preparation: {missing: {known: mean}}\n",
        r"missing.known is \"mean\".*estimate, set_aside or shared",
    ),
    "too many draws": (
        "preparation: {missing: {imputations: 500}}\n",
        r"imputations is 500.*at most 200",
    ),
    "one distorted specimen without a list": (
        "preparation: {distortion: A-1}\n",
        r"preparation.distortion is \"A-1\".*must be a list",
    ),
    "duplicate key": ("title: Again\n", r"line 9: The key \"title\" stands twice.*line 1"),
    "tab": ("tests:\n\talpha: 0.05\n", r"line 10: This line is indented with a tab.*spaces"),
    "unclosed quote": ('notice: "abc\n', r"cannot be read as YAML"),
    "colon in text": ("notice: a: b\n", r"line 9: .*quotation marks if it has a colon"),
    "alias": ("model: &m {terms: [size]}\ntests: *m\n", r"alias"),
    "tag": ("notice: !!python/name:os.system x\n", r"line 9: There is a tag"),
    "second document": ("---\ntitle: b\n", r"second document"),
    "misspelt measure of differences": (
        "differences: {against: nearst}\n",
        r"against is \"nearst\".*nearest or all.*Did you mean nearest\?",
    ),
    "no measurement drawn": ("figures: {measurements: 0}\n", r"is 0.*at least 1 and at most 40"),
    "too many measurements drawn": (
        "figures: {measurements: 41}\n",
        r"measurements is 41.*most 40",
    ),
    "scans in the wrong block": (
        "figures: {scans_in_archive: true}\n",
        r"\"scans_in_archive\".*belongs under report",
    ),
    "yes for scans": ("report: {scans_in_archive: yes}\n", r"is \"yes\".*true or false"),
    "unknown placeholder": (
        "scans: {files: 'scans/{element}/{specimens}.ply'}\n",
        r"\{specimens\}.*Did you mean \{specimen\}\?",
    ),
    "scans without element": (
        "scans: {files: 'scans/{specimen}.ply'}\n",
        r"scans.files does not say where the element stands",
    ),
    "results over the study": ("results: .\n", r"line 9: results is \"\.\", a folder that holds"),
    "results above the study": ("results: ..\n", r"a folder that holds the study"),
}


@pytest.mark.parametrize(("added", "expected"), BAD.values(), ids=BAD.keys())
def test_bad_settings_are_refused(tiny, added, expected):
    """A user makes one slip in study.yaml and is told line, finding and remedy."""
    tiny.write("study.yaml", tiny.read("study.yaml") + added)
    with pytest.raises(StudyError, match=f"(?s)study.yaml\n.*error.*{expected}"):
        read_config(tiny.path)


CHANGED = {
    "missing title": (
        "title: A tiny study\n",
        "",
        r"title is missing.\s+Add it: Title of the",
    ),
    "missing file": ("  file: specimens.csv\n", "  delimiter: ','\n", "missing in specimens"),
    "missing landmarks": (
        "landmarks:\n  files: landmarks/{element}/*.csv\n",
        "",
        "The key landmarks is missing",
    ),
    "no element": (
        "elements:\n  jaw: {scheme: schemes/jaw.yaml}\n  ring: {scheme: schemes/ring.yaml}\n",
        "elements: {}\n",
        "elements is a block of keys with nothing in",
    ),
    "bad element name": ("  jaw:", "  lower jaw:", r"The name \"lower jaw\" in elements cannot"),
    "element as a list": (
        "elements:\n  jaw: {scheme: schemes/jaw.yaml}\n  ring: {scheme: schemes/ring.yaml}\n",
        "elements: [jaw]\n",
        "elements is a list of 1",
    ),
    "elements alike": ("  ring:", "  Jaw:", "differ only in capitals"),
    "unit": ("*.csv\n", "*.csv\n  units: millimetres\n", r"um, mm, cm, m or inch"),
    "column twice": (
        "*.csv\n",
        "*.csv\n  columns: {x: a, y: a}\n",
        r"takes both x and y from the column \"a\"",
    ),
    "empty list of files": ("files: landmarks/{element}/*.csv", "files: []", r"landmarks.files"),
}


@pytest.mark.parametrize(("old", "new", "expected"), CHANGED.values(), ids=CHANGED.keys())
def test_what_is_needed_is_asked_for(tiny, old, new, expected):
    """A user leaves something out, or writes it in a form that cannot be used."""
    tiny.edit("study.yaml", old, new)
    with pytest.raises(StudyError, match=expected):
        read_config(tiny.path)


@pytest.mark.parametrize("name", [*RESERVED, "Logs"])
def test_an_element_cannot_have_the_name_of_a_folder_of_results(tiny, name):
    """A user calls an element tables: its folder would be that of the whole study."""
    tiny.edit("study.yaml", "  jaw:", f"  {name}:")
    with pytest.raises(StudyError) as caught:
        read_config(tiny.path)
    (problem,) = caught.value.problems.errors
    assert problem.line == 7
    assert problem.found.startswith(
        f"An element cannot be called {name}: the results keep a folder"
    )
    assert f"such as {name}_bone" in problem.remedy


def test_names_near_those_of_folders_can_be_used(tiny):
    """A user's element has such a word within its name."""
    tiny.edit("study.yaml", "  jaw:", "  tables_bone:")
    assert read_config(tiny.path).elements == ("tables_bone", "ring")


def test_every_folder_of_the_whole_study_is_kept_from_elements():
    """Rules write to no folder beside the elements' that an element could be called."""
    text = (CONFIG_FOLDER / "workflow.smk").read_text(encoding="utf-8")
    folders = set(re.findall(r'_kept_in\("([a-z]+)"', text)) | {HISTORY, FOLDER}
    folders |= {path.split("/")[0] for rule in RULES for path in rule.makes if rule.per == "study"}
    folders = {name for name in folders if "." not in name and name != ALL_ELEMENTS}
    assert {"logs", "benchmarks", "records"} <= folders <= set(RESERVED)
    page = (CONFIG_FOLDER / "README.md").read_text(encoding="utf-8")
    assert all(f"`{name}`" in page for name in RESERVED)


def test_all_problems_come_at_once_with_their_lines(tiny):
    """A user with three slips is told of three, not of the first."""
    tiny.write("study.yaml", tiny.read("study.yaml") + "seed: x\nfoo: 1\ntests: {alpha: 3}\n")
    with pytest.raises(StudyError) as caught:
        read_config(tiny.path)
    lines = sorted(problem.line for problem in caught.value.problems.errors)
    assert lines == [9, 10, 11]


def test_a_slip_in_study_yaml_does_not_hide_those_in_the_tables(tiny):
    """A user has a wrong alpha and a wrong role: both are told in one go."""
    tiny.write("study.yaml", tiny.read("study.yaml") + "tests: {alpha: 3}\n")
    tiny.edit("specimens.csv", "A-2,marsh dormouse,known", "A-2,marsh dormouse,knwon")
    told = tiny.told()
    assert "tests.alpha is 3" in told
    assert 'role is "knwon"' in told


def test_words_stay_words(tiny):
    """A user's title is "no", a template specimen is numbered 0012: neither is changed."""
    tiny.edit("study.yaml", "title: A tiny study", "title: no")
    tiny.write("study.yaml", tiny.read("study.yaml") + "notice: 2024-05-01\n")
    tiny.edit("study.yaml", "file: specimens.csv", "file: 0012")
    config = read_config(tiny.path)
    assert config.settings.title == "no"
    assert config.settings.notice == "2024-05-01"
    assert config.settings.specimens.file == "0012"


def test_yaml_deep_beyond_reason_is_refused(tiny):
    """A damaged file of nothing but brackets is refused, not crashed on."""
    tiny.write("study.yaml", "[" * 100_000)
    with pytest.raises(StudyError, match="cannot be read as YAML"):
        read_config(tiny.path)


@pytest.mark.parametrize("text", ["", "# nothing\n", "just words\n", "- a\n- b\n", "12\n"])
def test_a_file_that_is_no_block_of_keys_is_refused(tiny, text):
    """A user checks an empty file, or one that is something else."""
    tiny.write("study.yaml", text)
    with pytest.raises(StudyError, match=r"study\.yaml"):
        read_config(tiny.path)


def test_a_missing_study_is_said(tmp_path):
    """A user misspells the path."""
    (tmp_path / "study.yml").write_text("title: x")
    with pytest.raises(StudyError, match=r'does not exist(.|\n)*Did you mean "study.yml"'):
        read_config(tmp_path)


def test_a_control_character_is_refused_with_its_line(tiny):
    """A user pasted an invisible character."""
    tiny.write("study.yaml", tiny.read("study.yaml") + "notice: a\x07b\n")
    with pytest.raises(StudyError, match="line 9: There is an invisible control character"):
        read_config(tiny.path)


def engine_reads(path):
    """Read study.yaml as the workflow engine does when it is started."""
    return yaml.safe_load(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_what_the_workflow_engine_reads_is_read(tiny, encoding):
    """A user's editor saved study.yaml with a mark or without."""
    text = tiny.read("study.yaml").replace("A tiny study", "Größe")
    tiny.write("study.yaml", text.replace("\n", "\r\n").encode(encoding))
    assert engine_reads(tiny.path)["title"] == "Größe"
    assert read_config(tiny.path).settings.title == "Größe"


@pytest.mark.parametrize(
    ("encoding", "named"), [("cp1252", "Windows-1252"), ("utf-16", "UTF-16"), ("utf-32", "UTF-32")]
)
def test_an_encoding_that_the_workflow_engine_cannot_read_is_refused(tiny, encoding, named):
    """A user's editor saved study.yaml in an old way: the check says so, not a crash later."""
    text = tiny.read("study.yaml").replace("A tiny study", "Größe")
    tiny.write("study.yaml", text.encode(encoding))
    with pytest.raises(UnicodeDecodeError):
        engine_reads(tiny.path)
    (error,) = tiny.errors()
    assert error.startswith(f"study.yaml:None None None: This file is {named}")
    assert "Save it as UTF-8" in error
    assert "it was read as" not in tiny.told()


@pytest.mark.parametrize("value", ["2024-13-45", "=", "0x_"])
def test_a_value_that_the_workflow_engine_cannot_read_is_refused(tiny, value):
    """A title that YAML takes for a date which there is not, unless it is in quotation marks."""
    text = tiny.read("study.yaml")
    tiny.write("study.yaml", text.replace("A tiny study", value))
    with pytest.raises((yaml.YAMLError, ValueError)):
        engine_reads(tiny.path)
    with pytest.raises(StudyError, match=r"line 1: The workflow engine cannot read.*\n.*quotation"):
        read_config(tiny.path)
    tiny.write("study.yaml", text.replace("A tiny study", f'"{value}"'))
    assert read_config(tiny.path).settings.title == value == engine_reads(tiny.path)["title"]


HELD = {
    "landmark tables": ("landmarks", "landmarks.files", None),
    "folder below the landmark tables": ("landmarks/jaw", "landmarks.files", None),
    "schemes": ("schemes", "elements.jaw.scheme and elements.ring.scheme", None),
    "around the tables": ("data", "landmarks.files", ("landmarks/{element}", "data/{element}")),
    "loose pattern": ("out", "landmarks.files", ("landmarks/{element}/*", "'*/*.csv'  #")),
}


@pytest.mark.parametrize(("results", "keys", "edit"), HELD.values(), ids=HELD.keys())
def test_results_among_the_inputs_are_refused(tiny, results, keys, edit):
    """The workflow would write check.csv where the tables are, and read it as a table next time."""
    if edit:
        tiny.edit("study.yaml", *edit)
    tiny.write("study.yaml", tiny.read("study.yaml") + f"results: {results}\n")
    with pytest.raises(StudyError) as told:
        read_config(tiny.path)
    assert f'line 9: results is "{results}", a folder in which inputs' in str(told.value)
    assert f"({keys})" in str(told.value)


@pytest.mark.parametrize(
    "pattern",
    ["'{element}/*.csv'", "'{specimen}/points.csv'", "'*.csv'", "results_in/*.csv"],
)
def test_results_beside_the_inputs_are_fine(tiny, pattern):
    """Patterns that begin with a placeholder, or with a name that only looks like the results'."""
    tiny.edit("study.yaml", "landmarks/{element}/*.csv", pattern)
    assert read_config(tiny.path).results == tiny.folder / "results"
