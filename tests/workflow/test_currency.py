"""What is current is known by content: whatever happens to a study, status and run agree."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.scenarios import SCENARIOS, Scenario
from morpho.cli import main
from morpho.study.settings.config import read_config
from morpho.workflow.state import State

HOUSE = Path(__file__).parents[2]


def _place(scenario: Scenario, copy) -> Path:
    """The study after the change: its folder, or its study.yaml."""
    folder = copy()
    (folder / ".snakemake").mkdir(exist_ok=True)
    return scenario.change(folder) or folder


def _expected(scenario: Scenario, state: State) -> set[str]:
    jobs = state.plan.jobs
    if scenario.first is None:
        return set(jobs)
    first = set()
    for one in scenario.first:
        if one == "every figure":
            first |= {key for key in jobs if "/draw/" in key or key.endswith("/portray")}
        elif one.startswith("every "):
            first |= {key for key in jobs if key.startswith(f"{one.split()[1]}/")}
        else:
            first.add(one)
    if not scenario.below:
        return first
    for key, job in jobs.items():  # in the order of the plan
        if first & set(state.plan.sources(job)):
            first.add(key)
    return first


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: one.name)
def test_what_is_due_after_a_change(scenario, copy, capsys):
    """No more and no less; and `formkin status` says why."""
    place = _place(scenario, copy)
    state = State(read_config(place))
    assert set(state.due) == _expected(scenario, state)
    code = main(["status", str(place)])
    told = capsys.readouterr()
    none = not (state.config.results / "records").is_dir() and not state.records
    assert code == (1 if none and not (state.config.results / "provenance.json").is_file() else
                    3 if state.due else 0)  # fmt: skip
    for words in scenario.told:
        assert words in told.out


def _dry_run(place: Path) -> tuple[set[str], str]:
    """Calls that a run would do, by key, and what it says."""
    study = place if place.suffix == ".yaml" else place / "study.yaml"
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", "1", "-n", "--snakefile",
         str(HOUSE / "Snakefile"), "--configfile", str(study)],
        cwd=place.parent,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]
    found = set()
    for block in re.split(r"\n(?=\[|(?:local)?rule )", done.stdout):
        rule = re.search(r"^(?:local)?rule (\w+):", block, re.MULTILINE)
        where = re.search(r"^ +wildcards: (.*)$", block, re.MULTILINE)
        if rule and rule[1] != "all":
            parts = dict(one.split("=", 1) for one in where[1].split(", ")) if where else {}
            step, _, element = rule[1].partition("_")
            found.add("/".join(filter(None, (parts.get("element", element), step))))
    return found, done.stdout


# One of each kind of change that the workflow engine has a say in: its dates, its own folder, its
# list of files, the study's place, jobs of one element, of all, of none, and files lost or edited.
WITH_THE_ENGINE = (
    "results with future dates", "corrected, results with future dates",
    "corrected, the hidden folder lost", "a specimen more", "a setting", "an element renamed",
    "the study copied without hidden files and dates", "the results in a folder of another name",
    "a step cut off", "a figure of a query deleted", "all results deleted",
    "a conclusion forged", "other code of a step",
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", WITH_THE_ENGINE)
def test_the_run_does_what_is_due_and_nothing_else(name, copy):
    scenario = next(one for one in SCENARIOS if one.name == name)
    place = _place(scenario, copy)
    found, told = _dry_run(place)
    state = State(read_config(place))
    assert found == set(state.plan.calls(state.due))
    assert ("Nothing to be done" in told) == (not found)
