"""Provenance: what is recorded, what must not be, and what counts as a difference."""

import copy
import hashlib
import json
import os
import subprocess
from pathlib import Path

import pytest

from morpho.report.provenance import (
    PACKAGES,
    Difference,
    compare,
    file_sum,
    flat_settings,
    git_revision,
    public_command,
    public_path,
    result_sums,
    versions,
)

BASE = {
    "inputs": {"a.csv": "1", "b.csv": "2"},
    "settings": {"seed": 1, "tests.alpha": 0.05, "specimens.private": ["x"]},
    "study_file": "9",
    "code": "c",
    "versions": {"formkin": "0.1", "numpy": "2.0"},
    "results": {"report.html": "5", "bone/tables/t.csv": "6"},
}


def differing(**parts):
    now = copy.deepcopy(BASE)
    for part, change in parts.items():
        now[part] = now[part] | change if isinstance(change, dict) else change
        if isinstance(now[part], dict):
            now[part] = {k: v for k, v in now[part].items() if v is not None}
    return compare(BASE, now)


def test_nothing_differs():
    assert differing() == []


@pytest.mark.parametrize(
    ("parts", "wanted"),
    [
        ({"inputs": {"a.csv": "7"}}, Difference("input", "a.csv", "was changed")),
        ({"inputs": {"c.csv": "7"}}, Difference("input", "c.csv", "is new")),
        ({"inputs": {"b.csv": None}}, Difference("input", "b.csv", "is gone")),
        (
            {"settings": {"tests.alpha": 0.01}, "study_file": "8"},
            Difference("setting", "tests.alpha", "was 0.05 and is 0.01"),
        ),
        (
            {"settings": {"tests.new": 3}},
            Difference("setting", "tests.new", "was nothing and is 3"),
        ),
        (
            {"settings": {"specimens.private": []}},
            Difference("setting", "specimens.private", "was ['x'] and is []"),
        ),
        (
            {"code": "d"},
            Difference("program", "formkin", "is not the program that made them"),
        ),
        ({"results": {"report.html": "0"}}, Difference("result", "report.html", "was changed")),
        ({"results": {"report.html": None}}, Difference("result", "report.html", "is gone")),
    ],
)
def test_differences_that_count(parts, wanted):
    assert differing(**parts) == [wanted]
    assert wanted.counts


@pytest.mark.parametrize(
    ("parts", "what"),
    [
        ({"study_file": "8"}, "study.yaml"),
        ({"versions": {"numpy": "2.1"}}, "numpy"),
        ({"versions": {"numpy": None}}, "numpy"),
        ({"results": {"mine.txt": "1"}}, "mine.txt"),
    ],
)
def test_differences_that_are_only_noted(parts, what):
    [found] = differing(**parts)
    assert found.kind == "note"
    assert found.what == what
    assert not found.counts


def test_all_differences_are_told_at_once_in_order():
    found = differing(
        inputs={"a.csv": "7"}, settings={"seed": 2}, code="d", results={"report.html": "0"}
    )
    assert [one.kind for one in found] == ["input", "setting", "program", "result"]


def test_sums_are_sha256_of_files_and_bytes(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"abc" * 10**6)
    wanted = hashlib.sha256(b"abc" * 10**6).hexdigest()
    assert file_sum(path) == file_sum(path.read_bytes()) == wanted


def test_what_tells_of_the_run_is_no_result(tmp_path):
    for name in ("report.html", "bone/tables/t.csv", "logs/a.log", "benchmarks/b.tsv",
                 "history/last_run.json", "provenance.json", ".hidden", "bone/.t-xyz.csv",
                 "bone/logs/kept.txt"):  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    assert list(result_sums(tmp_path)) == ["bone/logs/kept.txt", "bone/tables/t.csv", "report.html"]


@pytest.mark.parametrize(
    ("path", "folder", "wanted"),
    [
        ("/home/me/s/a.csv", "/home/me/s", "a.csv"),
        ("/home/me/data/a.csv", "/home/me/s", "../data/a.csv"),
        ("/home/me/s/x/../a.csv", "/home/me/s", "a.csv"),
        ("/mnt/disc/scans/a.ply", "/home/me/s", "elsewhere/scans/a.ply"),
        ("/home/you/deep/er/a.csv", "/home/me/my/own/s", "elsewhere/er/a.csv"),
        ("/data/a.csv", "/s", "elsewhere/data/a.csv"),
    ],
)
def test_paths_do_not_tell_the_machine(path, folder, wanted):
    assert public_path(Path(path), Path(folder)) == wanted


def test_two_files_are_not_told_by_one_name():
    folder = Path("/home/me/s")
    first = public_path(Path("/mnt/a/scans/x.ply"), folder)
    second = public_path(Path("/mnt/b/scans/x.ply"), folder, [first])
    assert first == "elsewhere/scans/x.ply"
    assert second == "elsewhere/scans/x.ply (2)"


def test_settings_are_flat_and_tell_no_path_of_the_machine():
    flat = flat_settings(
        {
            "seed": 3,
            "specimens": {"file": "/home/me/secret/s.csv", "columns": {}},
            "landmarks": {"files": ["a/*.csv", "C:\\Users\\me\\b.csv"]},
            "tests": {"alpha": 0.05},
        }
    )
    assert flat["seed"] == 3
    assert flat["tests.alpha"] == 0.05
    assert flat["specimens.columns"] == {}
    assert flat["landmarks.files"][0] == "a/*.csv"
    text = json.dumps(flat)
    for word in ("home", "secret", "Users"):
        assert word not in text
    other = flat_settings({"specimens": {"file": "/home/me/secret/t.csv"}})
    assert other["specimens.file"] != flat["specimens.file"]


def test_commands_are_told_without_folders_of_the_machine():
    told = public_command(
        ["/home/me/.venv/bin/snakemake", "--cores", "all", "--configfile", "/home/me/s/study.yaml",
         "--workflow-profile=/mnt/x/profiles/local", "two words"],
        Path("/home/me/s"),
    )  # fmt: skip
    assert told == (
        "snakemake --cores all --configfile study.yaml "
        '--workflow-profile=elsewhere/profiles/local "two words"'
    )
    module = ["/usr/lib/python3/site-packages/snakemake/__main__.py", "-n"]
    assert public_command(module, Path("/")) == "snakemake -n"


def test_versions_of_what_is_installed():
    found = versions("1.2.3")
    assert found["formkin"] == "1.2.3"
    assert {"Python", "numpy", "pandas", "openpyxl", "python-docx"} <= set(found)
    assert set(found) <= {"formkin", "Python", *PACKAGES}


@pytest.fixture
def checkout(tmp_path):
    """A repository with one file under version control."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith("GIT_")}

    def git(*arguments):
        try:
            return subprocess.run(
                ["git", "-c", "user.name=a", "-c", "user.email=a@b.c", *arguments],
                cwd=tmp_path, check=True, capture_output=True, text=True, env=clean,
            ).stdout.strip()  # fmt: skip
        except OSError:
            pytest.skip("no git here")

    (tmp_path / "study.yaml").write_text("seed: 1\n")
    git("init", "-q")
    git("add", "study.yaml")
    git("commit", "-q", "-m", "first")
    return tmp_path, git("rev-parse", "HEAD")


def test_the_revision_of_a_checkout(checkout):
    folder, revision = checkout
    assert git_revision(folder, "study.yaml") == {"revision": revision, "edited": False}
    (folder / "study.yaml").write_text("seed: 2\n")
    assert git_revision(folder, "study.yaml") == {"revision": revision, "edited": True}


def test_a_folder_inside_somebody_elses_checkout_has_no_revision(checkout):
    folder, _ = checkout
    (folder / "inner").mkdir()
    (folder / "inner" / "study.yaml").write_text("")
    assert git_revision(folder / "inner", "study.yaml") is None


def test_no_checkout_and_no_git_are_no_trouble(tmp_path, monkeypatch):
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    assert git_revision(tmp_path, "study.yaml") is None
    assert git_revision(tmp_path / "nowhere", "study.yaml") is None
    monkeypatch.setenv("PATH", "")
    assert git_revision(tmp_path, "study.yaml") is None
