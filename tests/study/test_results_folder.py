"""Results that cannot be written are told before anything is run."""

import os
from pathlib import Path

import pytest

from morpho.study.checks.results_folder import cannot_be_written


def refuse(monkeypatch, *folders):
    """Take the right to write into some folders (root may write everywhere)."""
    real = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode: Path(path) not in folders and real(path, mode)
    )


@pytest.mark.parametrize("which", ["results", "results/history", "results/jaw/tables", "."])
def test_a_folder_without_permission_is_an_error(tiny, monkeypatch, which):
    """The results of a colleague, or a study on a disk that cannot be written."""
    for name in ("history", "jaw/tables"):
        (tiny.folder / "results" / name).mkdir(parents=True)
    folder = Path(os.path.normpath(tiny.folder / which))
    assert tiny.errors() == []
    refuse(monkeypatch, folder)
    (error,) = tiny.errors()
    assert f"The results cannot be written: you have no permission for {folder}. | Make" in error
    assert "under results in study.yaml" in error


def test_results_that_are_not_there_yet_need_the_folder_around_them(tiny, monkeypatch):
    tiny.write("study.yaml", tiny.read("study.yaml") + "results: out/of/it\n")
    assert tiny.errors() == []
    refuse(monkeypatch, tiny.folder)
    (error,) = tiny.errors()
    assert error.startswith("study.yaml:9 None None: The results cannot be written")


@pytest.mark.parametrize("file", ["results", "results/history"])
def test_a_file_in_place_of_the_folder_is_an_error(tiny, file):
    path = tiny.write(file, "x")
    (error,) = tiny.errors()
    assert f"{path} is a file, not a folder. | Move the file away" in error


def test_what_the_system_said_is_told():
    """A full disk is no lack of permission."""
    full = OSError(28, "No space left on device")
    assert "into results (No space left" in cannot_be_written(Path("results"), full)[0]
    refused = PermissionError(13, "Permission denied")
    assert "no permission for results" in cannot_be_written(Path("results"), refused)[0]
