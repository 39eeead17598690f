"""Runs from anywhere, of any study; and runs that are refused."""

import os
import re
import subprocess
import sys

import pytest
import yaml

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def house(tmp_path_factory, copy_house):
    """A copy of the repository that was never run."""
    return copy_house(tmp_path_factory.mktemp("quiet") / "a house")


def files(folder):
    """Every file below a folder but Python's own."""
    return {p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts}


def formkin(house, *arguments, cwd):
    """Call the command line of a copy of the repository."""
    call = "import sys; from morpho.cli import main; sys.exit(main())"
    return subprocess.run(
        [sys.executable, "-c", call, *map(str, arguments)],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(house)},
        capture_output=True,
        text=True,
    )


@pytest.mark.long
def test_a_new_study_from_start_to_report(tables, run, house, small, tmp_path):
    """formkin new, tables filled in, check, run: in a folder with spaces and umlauts, from afar.

    The results go where study.yaml says, and nothing is written anywhere else.
    """
    afar, away = tmp_path / "afar", tmp_path / "Über alle Berge"
    afar.mkdir()
    away.mkdir()
    folder = away / "meine Studie"
    made = formkin(house, "new", folder, cwd=afar)
    assert made.returncode == 0, made.stderr

    # bones with the landmarks of the scheme that a new study begins with
    bones = small({"ash": 6, "birch": 6}, {"find 1": "ash", "find 2": "own"}, landmarks=5)
    scheme = yaml.safe_load((folder / "schemes" / "bone.yaml").read_text("utf-8"))
    names = [landmark["name"] for landmark in scheme["landmarks"]]
    head = (folder / "specimens.csv").read_text("utf-8").strip().split(",")
    rows = [",".join([*head, "locality"])]
    for row in bones.rows:
        rows.append(",".join([*(row.get(name, "") for name in head), "Geheimes Tal"]))
    (folder / "specimens.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    lines = ["specimen,element,landmark,x,y,z"]
    for row, shape in zip(bones.rows, bones.shapes["bone"], strict=True):
        for name, point in zip(names, shape, strict=True):
            lines.append(f"{row['specimen']},bone,{name}," + ",".join(f"{c:.6f}" for c in point))
    (folder / "landmarks" / "alle Maße.csv").write_text("\n".join(lines), encoding="utf-8")
    study = folder / "study.yaml"
    text = study.read_text("utf-8").replace("# results: results", "results: ../Ergebnisse & mehr")
    text = text.replace("# tests:", "tests:").replace(
        "#   permutations: 9999", "  permutations: 49"
    )
    study.write_text(text, encoding="utf-8")

    checked = formkin(house, "check", folder, cwd=afar)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    before = {place: files(place) for place in (house, folder, afar)}
    relative = os.path.relpath(study, afar)
    ran = run(house, "--snakefile", house / "Snakefile", "--configfile", relative, cwd=afar)
    assert ran.code == 0, ran.told[-3000:]
    results = away / "Ergebnisse & mehr"
    assert (results / "report.html").is_file()
    assert len(tables(results)) > 15
    for place, there in before.items():
        # Snakemake keeps a log of every run where it was started
        made = {path.relative_to(place).parts[:2] for path in files(place) - there}
        assert made <= ({(".snakemake", "log")} if place == afar else set()), place
    # Snakemake's own records lie beside the results
    assert {p.name for p in away.iterdir()} == {"meine Studie", results.name, ".snakemake"}
    for path in files(results):
        content = path.read_bytes()
        assert b"Geheimes" not in content, path
        assert str(tmp_path).encode() not in content or path.suffix == ".log", path

    again = run(house, "--snakefile", house / "Snakefile", "--configfile", study, cwd=away)
    assert "Nothing to be done" in again.told


def test_every_problem_is_told_at_once_and_nothing_is_written(run, house, small):
    """A wrong cell, an unknown taxon role, and a landmark without a name of the scheme."""
    study = small()
    study.rows[0]["role"] = "maybe"
    study.write()
    path = study.folder / "landmarks" / "bone" / "all.csv"
    lines = path.read_text().splitlines()
    lines[10] = lines[10].replace("point_", "pont_")
    lines[20] = ",".join([*lines[20].split(",")[:3], "wide", "1", "2"])
    path.write_text("\n".join(lines))
    before = files(study.folder)
    ran = run(house, "--configfile", study.path)
    assert ran.code == 1
    for words in ('"maybe"', "pont_", '"wide"', "Nothing was run"):
        assert words in ran.told, words
    assert "Traceback" not in ran.told
    assert not study.config.results.exists()
    left = files(study.folder) - before
    assert all(".snakemake" in path.parts for path in left)


def test_a_study_that_cannot_be_read_is_told_in_words(run, house, small):
    study = small()
    study.path.write_text("title: [unclosed\nspecimens:\n", encoding="utf-8")
    ran = run(house, "--configfile", study.path)
    assert ran.code == 1
    # Snakemake reads the file before we do; `formkin check` names the line
    assert "not valid JSON or YAML" in ran.told
    assert "Traceback" not in ran.told
    checked = formkin(house, "check", study.folder, cwd=house)
    assert checked.returncode == 1
    assert "study.yaml" in checked.stdout + checked.stderr


@pytest.mark.parametrize("lost", ["schemes/bone.yaml", "specimens.csv"])
def test_a_file_that_is_not_there_is_told_in_words(run, house, small, lost):
    """By name, with the other problems, and not by a failing rule."""
    study = small()
    (study.folder / lost).unlink()
    ran = run(house, "--configfile", study.path)
    assert ran.code == 1
    assert lost.split("/")[-1] in ran.told
    assert "Nothing was run" in ran.told
    assert "Traceback" not in ran.told
    assert "Error in file" not in ran.told


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("results", "/results is a file, not a folder"),
        ("results/history/started.json/x", "The results cannot be written into"),
    ],
)
def test_results_that_cannot_be_written_are_told_in_words(run, house, small, file, said):
    """Something stands where the results, or the note of the run's start, should go."""
    study = small()
    path = study.folder / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("x")
    ran = run(house, "--configfile", study.path)
    assert ran.code == 1
    assert said in ran.told
    assert "under results in study.yaml" in ran.told
    assert "Traceback" not in ran.told
    assert "Error in file" not in ran.told


def test_a_key_that_is_not_known_is_told_with_its_line(run, house, small):
    study = small()
    study.path.write_text(study.path.read_text("utf-8") + "sead: 3\n", encoding="utf-8")
    ran = run(house, "--configfile", study.path)
    assert ran.code == 1
    assert "sead" in ran.told
    assert "seed" in ran.told
    assert "The study cannot be run" in ran.told
    assert "Traceback" not in ran.told


def test_too_few_known_specimens_end_the_run_in_words(run, house, small):
    study = small({"ash": 1, "birch": 1})
    ran = run(
        house, "--configfile", study.path, "--workflow-profile", house / "config/profiles/local"
    )
    assert ran.code == 1
    assert "At least 3 known specimens with 4 shared landmarks are needed" in ran.told
    assert 'File "' not in ran.told.split("CalledProcessError")[0]
    assert not (study.config.results / "report.html").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--config", "seed=3"], "change them in study.yaml"),
        (["--configfile", "config/study.yaml", "{study}"], "Give one --configfile"),
    ],
)
def test_settings_come_from_one_file(run, house, small, arguments, said):
    """What a run rests on stands in study.yaml, or the results could not be made again."""
    study = small()
    ran = run(house, *(a.format(study=study.path) for a in arguments))
    assert ran.code == 1
    assert said in ran.told
    assert "Traceback" not in ran.told
    assert not (house / "results").exists()


def test_the_workflow_passes_its_own_lint(run, house):
    """But for one piece of advice: the software of all rules comes from requirements.txt."""
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--lint"],
        cwd=house,
        capture_output=True,
        text=True,
    )
    said = set(re.findall(r"^ +\* (.*)$", done.stdout + done.stderr, re.MULTILINE))
    assert said == {"Specify a conda environment or container for each rule.:"}, said
