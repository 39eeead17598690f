"""A small study of two elements, all of it made once; each test has a copy of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from helpers import invented
from helpers.shared import made_once
from morpho.steps.__main__ import main
from morpho.study.settings.config import read_config
from morpho.workflow.state import State


def _make_due(folder: Path) -> list[str]:
    """Do in this process what a run would do, in its order; gives the keys of the jobs."""
    due = State(read_config(folder)).due
    for key, one in due.items():
        study = str(folder / "study.yaml")
        step = ["--if-due", one.job.rule.step, study, *one.job.arguments]
        assert main(step) == 0, key
    assert State(read_config(folder)).due == {}
    return list(due)


@pytest.fixture
def make() -> Iterator[Callable[[Path], list[str]]]:
    """Does what is due in a study, with figures sketched."""
    with invented.sketched():
        yield _make_due


@pytest.fixture(scope="session")
def make_due() -> Callable[[Path], list[str]]:
    """Does what is due in a study, figures drawn."""
    return _make_due


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the study, all of it made."""
    return made_once(tmp_path_factory, "a study of two elements", _make)


def _make(root: Path) -> Path:
    folder = root / "study"
    study = invented.InventedStudy(
        folder,
        {"ash": 5, "birch": 5},
        {"find 1": "ash", "find 2": "own"},
        elements=("femur", "tibia"),
        columns={"locality": [f"valley {i}" for i in range(12)]},
        settings={
            "tests": {"permutations": 9},
            "robustness": {"error_draws": 2, "rarefactions": 4, "simulations": 2},
        },
    )
    # find 2 is known by its femur alone
    table = folder / "landmarks" / "tibia" / "all.csv"
    rows = [row for row in table.read_text().splitlines() if not row.startswith("find 2")]
    table.write_text("\n".join(rows) + "\n")
    with invented.sketched():
        study.analyse()
        study.draw()
    for step in ("supplement", "report", "archive", "finish"):
        assert study.step(step) == 0, step
    return folder


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Callable[[], Path]:
    """Copies the study to a folder of its own."""

    def call() -> Path:
        folder = tmp_path / "study"
        shutil.copytree(made, folder)
        return folder

    return call
