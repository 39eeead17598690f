"""Studies broken in every way: told in words, in good time, and no file of the user's changed."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from helpers.mutations import MUTATIONS, Folder, add_scans, mutate
from morpho.cli import main
from morpho.steps.__main__ import main as step

# Seconds after which a command hangs.
HANGS = 60
STEPS = ("screen", "prepare", "measure", "slide", "superimpose", "ordinate", "grow", "place")

pytestmark = pytest.mark.slow


@contextmanager
def in_time() -> Iterator[None]:
    def stop(*_: Any) -> None:
        raise TimeoutError(f"not done after {HANGS} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(HANGS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.fixture
def broken(tiny) -> Folder:
    add_scans(tiny.folder)
    return Folder(tiny.folder)


def check(broken: Folder, mutations: list[tuple]) -> int:
    """Break the study and check it; the exit code."""
    for mutation in mutations:
        mutate(broken.folder, mutation)
    before = broken.state()
    with in_time():
        code = main(["check", str(broken.folder)])
    assert broken.state() == before
    assert code in (0, 1)
    return code


def run(broken: Folder) -> None:
    """Judge what passed the check; a step may refuse, in words."""
    before = broken.state()
    with in_time():
        elements = [name for name in ("jaw", "ring") if not refused(broken, name)]
    results = broken.folder / "results"
    after = {name: one for name, one in broken.state().items() if not name.startswith("results")}
    assert after == before
    assert len(elements) < 2 or any(results.rglob("*.csv"))


def refused(broken: Folder, element: str) -> int:
    """The exit code of the first step that ends otherwise than well, or of the last."""
    codes = (step([name, str(broken.folder / "study.yaml"), element]) for name in STEPS)
    code = next((code for code in codes if code != 0), 0)
    assert code in (0, 1)
    return code


_CHOICES: Any = {
    "deadline": None,
    "derandomize": True,
    "phases": [Phase.generate],  # each is told by its mutations; making them fewer takes long
    "suppress_health_check": list(HealthCheck),
}


@settings(max_examples=500, **_CHOICES)
@given(mutations=MUTATIONS)
def test_no_mutated_study_ends_in_a_traceback(broken, mutations):
    """Of every kind of file and every key, by bytes, cells, values, names, rights and pipes."""
    try:
        check(broken, mutations)
    finally:
        broken.restore()
