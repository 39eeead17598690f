"""The package as it is installed where there is no checkout: the workflow comes with it."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """A folder in which the built wheel lies as pip would put it there."""
    folder = tmp_path_factory.mktemp("wheel")
    code = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=HOUSE, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(folder / done.stdout.split()[-1]) as wheel:
        wheel.extractall(folder / "site")
    return folder / "site"


@pytest.fixture
def formkin(installed, tmp_path):
    """Calls the command line of what is installed, from a folder of no importance."""

    def call(*arguments):
        return subprocess.run(
            [sys.executable, "-P", "-m", "morpho.cli", *map(str, arguments)],
            cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(installed)},
            capture_output=True, text=True,
        )  # fmt: skip

    return call


def test_nothing_is_missing_and_nothing_is_too_much(installed):
    """Every file of the package, the workflow, and the command."""
    names = {p.relative_to(installed).as_posix() for p in installed.rglob("*") if p.is_file()}
    tracked = subprocess.run(
        ["git", "ls-files", "morpho"], cwd=HOUSE, capture_output=True, text=True
    ).stdout.split()
    if tracked:
        assert {name for name in tracked if (HOUSE / name).is_file()} <= names
    assert {"morpho/house/Snakefile", "morpho/house/config/workflow.smk"} <= names
    others = [name for name in names if name.split("/")[0] not in ("morpho",)]
    assert all(".dist-info/" in name for name in others)
    (entry,) = installed.glob("*.dist-info/entry_points.txt")
    assert "formkin = morpho.cli:main" in entry.read_text()


def test_a_study_is_begun_checked_and_run(formkin, installed, copy):
    """What a checkout made holds for what is installed, and what is lost it makes again."""
    done = formkin("new", "mine")
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("  5. formkin run mine\n")
    assert formkin("check", "mine").returncode == 1  # there is no specimen yet
    folder = copy()
    done = formkin("status", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    (folder / "results" / "provenance.json").unlink()
    done = formkin("run", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 of 1  noting what the results are made of" in done.stdout
    log = (folder / "results" / "logs" / "engine.log").read_text()
    assert f"{installed}/morpho/house/Snakefile" in log
