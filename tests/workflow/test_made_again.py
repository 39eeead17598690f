"""Whole runs after something happened to the results: they end as if nothing had."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from helpers.scenarios import SCENARIOS
from helpers.shared import made_once
from morpho.study.settings.config import read_config
from morpho.workflow.state import State

pytestmark = pytest.mark.long

HOUSE = Path(__file__).parents[2]
# What tells when a run was, and how long it took.
OF_TIME = ("logs", "benchmarks", "history", "provenance.json")
LOST_OR_EDITED = [
    "a table deleted", "a figure of a query deleted", "the archive deleted", "the page deleted",
    "a conclusion forged, its date kept", "notes forged", "two figures swapped",
    "edited twice over",
    "own files among those of queries and surfaces", "one record lost",
]  # fmt: skip
# Figures that the tests of this file have drawn again.
DRAWN = tuple(
    f"femur/draw/{name}.json" for name in ("growth", "stability", "calibration", "mean_shape")
)


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
    told, _ = started.communicate()
    assert started.returncode == 0, told[-3000:]
    return told


def _forget(folder: Path, *patterns: str) -> None:
    for pattern in patterns:
        found = list((folder / "results" / "records").glob(pattern))
        assert found, pattern
        for path in found:
            path.unlink()


@pytest.fixture(scope="session")
def whole(made, make_due, tmp_path_factory) -> Path:
    """The study as a run leaves it, with a few of its figures drawn."""

    def make(root: Path) -> Path:
        folder = root / "study"
        shutil.copytree(made, folder)
        _forget(folder, *DRAWN, "femur/portray.json")
        make_due(folder)
        return folder

    return made_once(tmp_path_factory, "a study with figures", make)


@pytest.fixture
def another(whole, tmp_path):
    """A copy of it, under the name of the first: a page tells no folder, a log may."""
    folder = tmp_path / "study"
    shutil.copytree(whole, folder)
    return folder


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


def test_a_setting_there_and_back_ends_in_the_same_bytes(copy, make):
    """All that is due, twice, through other results; the page tells of the way in between."""
    folder = copy()
    before = _bytes(folder / "results")
    path = folder / "study.yaml"
    text = path.read_text()
    path.write_text(text.replace("simulations: 2", "simulations: 3"))
    assert "femur/rarefy" in make(folder)
    between = _bytes(folder / "results")
    changed = {name for name in before if between[name] != before[name]}
    assert "femur/tables/specimens_to_decide.csv" in changed
    assert "report.html" in changed
    path.write_text(text)
    make(folder)
    after = _bytes(folder / "results")
    # what is new since the last run is told on the page, which goes into the archive
    telling = {"report.html", "archive.zip", "records/report.json", "records/archive.json",
               "records/finish.json"}  # fmt: skip
    assert {n: after[n] for n in before if n not in telling} == {
        n: before[n] for n in before if n not in telling
    }


def test_a_new_specimen_is_told_of_on_the_page(copy, make):
    """What changed since the last complete run stands on the page, and nothing when nothing did."""
    folder = copy()
    page = folder / "results" / "report.html"
    words = "What changed since the last complete run"
    assert words not in page.read_text(encoding="utf-8")
    with open(folder / "specimens.csv", "a", encoding="utf-8") as file:
        file.write("ash 9,ash,known,,adult,valley 99\n")
    table = folder / "landmarks" / "femur" / "all.csv"
    rows = [row for row in table.read_text().splitlines() if row.startswith("ash 1,")]
    with open(table, "a", encoding="utf-8") as file:
        for i, row in enumerate(rows):
            *cells, z = row.replace("ash 1,", "ash 9,").split(",")
            file.write(",".join([*cells, f"{float(z) + 0.1 * (i % 3):.4f}"]) + "\n")
    assert "femur/superimpose" in make(folder)
    told = unescape(page.read_text(encoding="utf-8")).split(words)[1].split("What was done")[0]
    assert "New: ash 9." in told


def _under_way(folder: Path, jobs: tuple[str, ...]) -> bool:
    for job in jobs:
        path = folder / "results" / "records" / f"{job}.json"
        try:
            if json.loads(path.read_text()).get("under_way"):
                return True
        except (OSError, ValueError):  # not begun, or just being written
            pass
    return False


def _processes(group: int, word: str) -> Iterator[int]:
    """Processes of a group that were called with a word."""
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            if os.getpgid(int(folder.name)) == group and word.encode() in (
                folder / "cmdline"
            ).read_bytes().split(b"\0"):
                yield int(folder.name)
        except OSError:  # ended by now
            pass


# Who is killed, and while which of these jobs is under way.
KILLS = (
    ("step", ("femur/vary", "tibia/vary", "femur/calibrate", "tibia/calibrate")),
    ("engine", ("femur/portray", *(name.removesuffix(".json") for name in DRAWN))),
    ("all", ("report", "archive")),
)


def test_a_run_that_is_killed_is_taken_up_again(another):
    """kill -9 of a step, of the engine, of all, run after run; the last ends in the same bytes."""
    before = _bytes(another / "results")
    for _, jobs in KILLS:
        for job in jobs:
            path = another / "results" / "records" / f"{job}.json"
            path.write_text(json.dumps(json.loads(path.read_text()) | {"code": "another"}))
    for who, jobs in KILLS:
        started = _start(another)
        group = os.getpgid(started.pid)
        while not _under_way(another, jobs):
            assert started.poll() is None, (who, started.communicate()[0][-3000:])
            time.sleep(0.01)
        if who == "all":
            os.killpg(group, signal.SIGKILL)
        elif who == "engine":
            os.kill(started.pid, signal.SIGKILL)
        else:
            for process in _processes(group, "morpho.steps"):
                os.kill(process, signal.SIGKILL)
        if who != "engine":
            started.communicate()  # ends when the last process that it started has
        started.wait()
        assert started.returncode != 0, who
        assert State(read_config(another)).due != {}, who
    # no lock has to be taken away by hand, and nothing that was left behind still writes
    told = _run(another)
    assert "Its process is gone, so the lock was taken away" in told
    assert State(read_config(another)).due == {}
    after = _bytes(another / "results")
    changed = sorted(name for name in before if after[name] != before[name])
    assert not changed, "\n".join(changed)
    assert set(after) == set(before)
