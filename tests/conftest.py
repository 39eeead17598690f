"""Settings of the whole test suite, and the demo, which is run once for all who look at it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from threadpoolctl import threadpool_limits

from helpers.shared import made_once

# The matrices of the tests are small: threads would only wait for each other, and on a busy
# machine make the suite many times slower. The workflow's steps run on one thread as well.
# Libraries look when they are loaded, which is later; those that are there already are told.
os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
threadpool_limits(1)
# Runs of copies of the house are many processes each: they compile its modules once.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# The same examples each time, however slow the machine.
settings.register_profile(
    "house", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("house")

HOUSE = Path(__file__).parents[1]

# What a run does not need, or makes itself.
_LEFT = ("results", "tests", "benchmarks", "build", "dist")
_LEFT_EVERYWHERE = shutil.ignore_patterns("__pycache__", "*.egg-info", ".*")


def _left(folder: str, names: list[str]) -> set[str]:
    """Names of a folder of the repository that are not copied."""
    found = set(_LEFT_EVERYWHERE(folder, names))
    return found | (set(_LEFT) if Path(folder) == HOUSE else set())


# What a machine may lack, by a word of the reason that a test is skipped for.
_LACKING = {
    "Chromium": "a browser",
    "FORMKIN_AXE": "a checker of accessibility",
    "scans": "scans of bones",
    "SLURM": "SLURM",
    "BibTeX": "BibTeX",
}


# Files that take longest, from the longest on; those that wait for the demo come later.
_HEAVY = (
    "test_demo.py", "test_made_again.py", "test_runs.py", "test_slurm.py", "test_degenerate.py",
    "test_warp.py", "test_report.py", "test_planted_differences.py", "test_combine.py",
    "test_figures.py", "test_supplement.py", "test_currency.py",
)  # fmt: skip
# Files whose tests share nothing that takes long to make in each process.
_APART = ("test_made_again.py", "test_runs.py", "test_degenerate.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest comes first, so that no process is left alone with it at the end."""
    first: dict[Path, int] = {}
    for item in items:
        marked = any(item.get_closest_marker(name) for name in ("whole", "slow"))
        place = len(_HEAVY) + (0 if marked else 1)
        if item.path.name in _HEAVY:
            place = _HEAVY.index(item.path.name)
        first[item.path] = min(place, first.get(item.path, place))
    items.sort(key=lambda item: first[item.path])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Spread files over the processes, and those whose tests share nothing test by test."""
    from xdist.scheduler import LoadScopeScheduling

    class Spread(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::")[0]
            alone = "/outside/" in file and "planted_differences" not in file
            apart = alone or file.endswith(_APART)
            return nodeid.split("[")[0] if apart else file

    config.option.loadscopereorder = False  # the order is that of the function above
    return Spread(config, log)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Tell in one line what was not looked at, as this machine lacks what it takes."""
    counts: Counter[str] = Counter()
    for report in terminalreporter.stats.get("skipped", []):
        reason = str(report.longrepr[-1]) if isinstance(report.longrepr, tuple) else ""
        lacking = [what for word, what in _LACKING.items() if word in reason]
        counts[lacking[0] if lacking else reason.removeprefix("Skipped: ")] += 1
    if counts:
        told = [
            f"{count} for lack of {what}" if what in _LACKING.values() else f"{count} as {what}"
            for what, count in sorted(counts.items())
        ]
        terminalreporter.write_line(f"Not tested here: {'; '.join(told)}.")


@dataclass(frozen=True)
class Ran:
    """How a run ended, what it said, and which jobs it told of.

    Attributes
    ----------
    code : int
    told : str
        Everything printed.
    jobs : set of (str, str)
        Step and wildcards of each job.
    """

    code: int
    told: str
    jobs: set[tuple[str, str]]

    def rules(self, element: str = "") -> set[str]:
        """Rules that have a job, of one element if it is named."""
        return {rule for rule, where in self.jobs if f"element={element}" in where or not element}


def _run(house: Path, *arguments: Any, cwd: Path | None = None, cores: int = 2) -> Ran:
    """Call Snakemake as a user does, with the Python of the tests."""
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", str(cores), *map(str, arguments)],
        cwd=cwd or house,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    jobs = set()
    for block in re.split(r"\n(?=\[|(?:local)?rule )", done.stdout):
        rule = re.search(r"^(?:local)?rule (\w+):", block, re.MULTILINE)
        where = re.search(r"^ +wildcards: (.*)$", block, re.MULTILINE)
        if rule:
            step, _, element = rule.group(1).partition("_")
            named = f"element={element}" if element else ""
            jobs.add((step, where.group(1) if where else named))
    return Ran(done.returncode, done.stdout, jobs)


def _tables(results: Path) -> dict[str, bytes]:
    """Every table in the results, by its path there."""
    return {str(p.relative_to(results)): p.read_bytes() for p in sorted(results.rglob("*.csv"))}


def _copy_house(folder: Path) -> Path:
    """The repository without what runs leave behind; the demo with few permutations."""
    shutil.copytree(HOUSE, folder, ignore=_left)
    study = folder / "config" / "study.yaml"
    text, count = re.subn(r"permutations: \d+", "permutations: 199", study.read_text("utf-8"))
    assert count == 1
    text = re.sub(r"imputations: \d+", "imputations: 5", text)
    study.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def run() -> Callable[..., Ran]:
    """Calls Snakemake in a copy of the repository."""
    return _run


@pytest.fixture(scope="session")
def tables() -> Callable[[Path], dict[str, bytes]]:
    """Reads all tables of a folder."""
    return _tables


@pytest.fixture(scope="session")
def copy_house() -> Callable[[Path], Path]:
    """Copies the repository to a folder."""
    return _copy_house


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the repository in which the demo has been run on two cores.

    It is made once, by the first of the processes that tests are spread over; others wait.
    """

    def make(folder: Path) -> Path:
        house = _copy_house(folder / "house")
        ran = _run(house)
        assert ran.code == 0, ran.told[-3000:]
        return house

    return made_once(tmp_path_factory, "demo", make)
