"""The profile for a cluster: what it says of rules, and whole jobs through a SLURM of one host."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from helpers import invented, one_host

HOUSE = Path(__file__).parents[2]
PROFILE = Path("config") / "profiles" / "slurm"
# seconds; nothing may hang where nobody looks
MOST = 3000


@pytest.fixture
def cluster() -> Iterator[Any]:
    """A SLURM of this host alone; tests that ask for it are skipped where there is none."""
    lacking = [name for name in one_host.PROGRAMS if one_host.find_program(name) is None]
    if lacking:
        pytest.skip(
            f"SLURM is not installed: no {', '.join(lacking)} "
            "(on Debian: apt-get install slurm-wlm munge)"
        )
    if importlib.util.find_spec("snakemake_executor_plugin_slurm") is None:
        pytest.skip(
            "Snakemake's plugin for SLURM is not installed "
            "(pip install --no-deps --require-hashes -r tests/requirements-slurm.txt)"
        )
    with one_host.OneHost(most_seconds=MOST + 30) as running:
        yield running
    assert running.processes() == []
    assert not running.folder.exists()


@pytest.fixture
def submit(cluster: Any) -> Callable[..., str]:
    """Runs Snakemake with the profile as a user does; gives what it said."""

    def call(house: Path, *arguments: Any) -> str:
        # the first look at jobs comes early, as the queue is empty
        command = [
            "timeout", "--signal", "KILL", str(MOST), sys.executable, "-m", "snakemake",
            "--workflow-profile", house / PROFILE,
            "--slurm-init-seconds-before-status-checks", "3", *arguments,
        ]  # fmt: skip
        done = subprocess.run(
            [str(part) for part in command],
            cwd=house,
            env={k: v for k, v in cluster.environment.items() if k != "PYTHONPATH"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert done.returncode == 0, done.stdout[-5000:] + cluster.logs()
        return done.stdout

    return call


@pytest.mark.slow
def test_a_study_through_slurm_gives_the_same_tables(
    cluster, submit, run, tables, copy_house, tmp_path
):
    """From landmarks to a trial of the verdict: every table, byte for byte as without a cluster.

    Jobs go as the profile has them, from folders with spaces and umlauts. A run on this machine
    after it finds nothing to do, as it takes the cluster's results for its own.
    """
    house = copy_house(tmp_path / "a house")
    study = invented.InventedStudy(
        tmp_path / "Über alle Berge" / "meine Studie", {"ash": 6, "birch": 5}
    )
    results = study.config.results
    assert study.step("check") == 0
    for step in (
        "prepare", "measure", "slide", "superimpose", "ordinate", "grow", "calibrate",
    ):  # fmt: skip
        assert study.step(step, "bone") == 0
    here = tables(results)
    shutil.rmtree(results)

    wanted = ["check.csv", "bone/tables/calibration.csv"]
    arguments = [*(f"results/{path}" for path in wanted), "--configfile", study.path]
    told = submit(house, *arguments)

    # the six steps from prepare to grow are one job; check and calibrate are the others
    assert len(re.findall("has been submitted with SLURM jobid", told)) == 3, told
    assert "Group job shapes" in told
    jobs = cluster.call("squeue", "--states=all", "--noheader", "--format=%T").split()
    assert jobs == ["COMPLETED"] * 3

    there = tables(results)
    assert set(wanted) | {"bone/tables/shape_scores.csv", "bone/tables/growth.csv"} <= set(there)
    assert there == here

    again = run(house, *arguments, "--dry-run")
    assert "Nothing to be done" in again.told, again.told[-3000:]


def test_the_profile_speaks_of_rules_that_are_there():
    """Snakemake passes over resources and groups of a rule that it does not know."""
    profile = yaml.safe_load((HOUSE / PROFILE / "config.yaml").read_text("utf-8"))
    paths = [HOUSE / "Snakefile", *(HOUSE / "config" / "rules").glob("*.smk")]
    text = "\n".join(path.read_text("utf-8") for path in paths)
    rules = set(re.findall(r"^rule (\w+):", text, re.MULTILINE))
    assert set(profile["set-resources"]) <= rules
    assert set(profile["groups"]) <= rules
    assert set(profile["group-components"]) <= set(profile["groups"].values())
    # a group with a local rule would be run where Snakemake runs
    local = re.search(r"^localrules:\n((?: +\w+,\n)+)", text, re.MULTILINE).group(1)
    assert not set(re.findall(r"\w+", local)) & set(profile["groups"])
