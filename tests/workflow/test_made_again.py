"""Whole runs after something happened to the results: they end as if nothing had."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from helpers.scenarios import SCENARIOS
from morpho.study.settings.config import read_config
from morpho.workflow.state import State

pytestmark = pytest.mark.slow

HOUSE = Path(__file__).parents[2]
# What tells when a run was, and how long it took.
OF_TIME = ("logs", "benchmarks", "history", "provenance.json")


def _bytes(results: Path) -> dict[str, bytes]:
    found = {}
    for path in sorted(results.rglob("*")):
        inside = path.relative_to(results)
        hidden = any(part.startswith(".") for part in inside.parts)
        if path.is_file() and inside.parts[0] not in OF_TIME and not hidden:
            found[inside.as_posix()] = path.read_bytes()
    return found


def _command(folder: Path, *arguments: str) -> list[str]:
    return [
        sys.executable, "-m", "snakemake", "--cores", "2", "--snakefile", str(HOUSE / "Snakefile"),
        "--configfile", str(folder / "study.yaml"), *arguments,
    ]  # fmt: skip


def _start(folder: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        _command(folder, *arguments),
        cwd=folder,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
    )  # fmt: skip


def _run(folder: Path, *arguments: str) -> str:
    started = _start(folder, *arguments)
    told, _ = started.communicate(timeout=500)
    assert started.returncode == 0, told[-3000:]
    return told


@pytest.fixture(scope="session")
def whole(made, tmp_path_factory) -> Path:
    """The study as a run leaves it, its figures drawn and its joint results made."""
    folder = tmp_path_factory.mktemp("whole") / "study"
    shutil.copytree(made, folder)
    for path in (folder / "results" / "records").rglob("draw/*.json"):
        path.unlink()
    for path in (folder / "results" / "records").rglob("portray.json"):
        path.unlink()
    _run(folder)
    assert State(read_config(folder)).due == {}
    return folder


@pytest.fixture
def another(whole, tmp_path):
    """A copy of it, under the name of the first: a page tells no folder, a log may."""
    folder = tmp_path / "study"
    shutil.copytree(whole, folder)
    return folder


LOST_OR_EDITED = [
    "a table deleted", "a figure of a query deleted", "the archive deleted", "the page deleted",
    "a conclusion forged, its date kept", "notes forged", "two figures swapped",
    "edited twice over",
    "own files among those of queries and surfaces", "one record lost",
]  # fmt: skip


def test_what_was_lost_or_edited_is_made_again_as_it_was(another):
    """All of it at once: every file has the bytes of before, and nothing of the user's is lost."""
    before = _bytes(another / "results")
    chosen = [one for one in SCENARIOS if one.name in LOST_OR_EDITED]
    assert len(chosen) == len(LOST_OR_EDITED)
    for one in chosen:
        if one.name != "edited twice over":  # the same file as of the notes
            one.change(another)
    told = _run(another)
    assert "grow.json was edited by hand: kept as grow.json.edited beside it" in told
    after = _bytes(another / "results")
    assert {name: after[name] for name in before} == before
    more = {name for name in after if name not in before}
    assert more == {
        "femur/notes/grow.json.edited", "femur/tables/conclusions.csv.edited",
        "femur/figures/growth.svg.edited", "femur/figures/stability.svg.edited",
        "femur/figures/queries/mine.svg", "femur/meshes/mine.ply",
    }  # fmt: skip
    assert State(read_config(another)).due == {}
    assert "Nothing to be done" in _run(another)


def test_a_setting_there_and_back_ends_in_the_same_bytes(another):
    """Two whole runs through other results; the page tells of the way in between."""
    before = _bytes(another / "results")
    path = another / "study.yaml"
    text = path.read_text()
    path.write_text(text.replace("simulations: 2", "simulations: 3"))
    _run(another)
    assert State(read_config(another)).due == {}
    between = _bytes(another / "results")
    changed = {name for name in before if between[name] != before[name]}
    assert "femur/tables/specimens_to_decide.csv" in changed
    assert "report.html" in changed
    path.write_text(text)
    _run(another)
    assert State(read_config(another)).due == {}
    after = _bytes(another / "results")
    # what is new since the last run is told on the page, which goes into the archive
    telling = {"report.html", "archive.zip", "records/report.json", "records/archive.json",
               "records/finish.json"}  # fmt: skip
    assert {n: after[n] for n in before if n not in telling} == {
        n: before[n] for n in before if n not in telling
    }


def _forget(folder: Path, *patterns: str) -> None:
    for pattern in patterns:
        for path in (folder / "results" / "records").rglob(pattern):
            path.unlink()


@pytest.mark.parametrize(
    ("kill", "stage"), [("group", "late"), ("engine", "late"), ("step", "early")]
)
def test_a_run_that_is_killed_is_taken_up_again(another, kill, stage):
    """kill -9 of all, of the engine alone, of a step alone; the next run ends in the same bytes."""
    before = _bytes(another / "results")
    steps = {"early": ("grow.json", "place.json", "vary.json"), "late": (
        "portray.json", "draw/*.json", "report.json", "archive.json")}[stage]  # fmt: skip
    _forget(another, *steps)
    dice = random.Random(f"{kill} {stage}")
    started = _start(another)
    group = os.getpgid(started.pid)
    end = time.monotonic() + 120
    while time.monotonic() < end:  # until the first step is under way
        children = subprocess.run(
            ["pgrep", "-g", str(group), "-f", "morpho.steps --if-due"],
            capture_output=True, text=True,
        ).stdout.split()  # fmt: skip
        if children or started.poll() is not None:
            break
        time.sleep(0.05)
    assert children
    time.sleep(dice.uniform(0, 3))
    if kill == "group":
        os.killpg(group, signal.SIGKILL)
    elif kill == "engine":
        os.kill(started.pid, signal.SIGKILL)
    else:
        subprocess.run(["pkill", "-9", "-g", str(group), "-f", "morpho.steps --if-due"])
    started.communicate(timeout=200)
    if kill != "step":
        _run(another, "--unlock")
    _run(another)
    assert State(read_config(another)).due == {}
    after = _bytes(another / "results")
    changed = sorted(name for name in before if after[name] != before[name])
    assert not changed, "\n".join(changed)
    assert set(after) == set(before)
