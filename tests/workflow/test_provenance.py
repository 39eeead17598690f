"""Provenance: what is recorded, what must not be, and what counts as a difference."""

import hashlib
import json
import os
import subprocess
from pathlib import Path

import pytest

from morpho import __version__
from morpho.steps.provenance import _git_revision
from morpho.workflow.provenance import (
    PACKAGES,
    file_sum,
    flat_settings,
    public_path,
    versions,
)


def test_sums_are_sha256_of_files_and_bytes(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"abc" * 10**6)
    wanted = hashlib.sha256(b"abc" * 10**6).hexdigest()
    assert file_sum(path) == file_sum(path.read_bytes()) == wanted


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


def test_versions_of_what_is_installed():
    found = versions()
    assert found["formkin"] == __version__
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
    assert _git_revision(folder, "study.yaml") == {"revision": revision, "edited": False}
    (folder / "study.yaml").write_text("seed: 2\n")
    assert _git_revision(folder, "study.yaml") == {"revision": revision, "edited": True}


def test_a_folder_inside_somebody_elses_checkout_has_no_revision(checkout):
    folder, _ = checkout
    (folder / "inner").mkdir()
    (folder / "inner" / "study.yaml").write_text("")
    assert _git_revision(folder / "inner", "study.yaml") is None


def test_no_checkout_and_no_git_are_no_trouble(tmp_path, monkeypatch):
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    assert _git_revision(tmp_path, "study.yaml") is None
    assert _git_revision(tmp_path / "nowhere", "study.yaml") is None
    monkeypatch.setenv("PATH", "")
    assert _git_revision(tmp_path, "study.yaml") is None
