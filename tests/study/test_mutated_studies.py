"""Studies broken in every way: told in words, in good time, and no file of the user's changed."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from helpers.mutations import MUTATIONS, Folder, make_quick, make_small, mutate
from morpho.cli import main
from morpho.steps.__main__ import main as step
from morpho.study.check import check_study

pytestmark = pytest.mark.slow

# Seconds after which a command hangs: of CPU, or of the clock with less CPU than this.
HANGS, IDLE = 60, 0.05
# Studies that are broken; fewer on a machine on which they take more seconds of CPU than this.
STUDIES, FEWEST, SECONDS = 520, 25, 25
# Studies that pass the check and are judged: each takes some ten seconds.
JUDGED = 1
STEPS = ("screen", "prepare", "measure", "slide", "superimpose", "ordinate", "grow", "place")
ELEMENTS = ("jaw", "ring")


@contextmanager
def in_time() -> Iterator[None]:
    begun = last = time.process_time()

    def stop(*_: Any) -> None:
        nonlocal last
        now = time.process_time()
        if now - begun > HANGS or now - last < IDLE:
            raise TimeoutError(f"not done after {HANGS} s")
        last = now  # a busy machine
        signal.alarm(HANGS)

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(HANGS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def check(broken: Folder, mutations: list[tuple], whole: bool) -> int:
    """Break the study and check it; the exit code. As a whole, with screening, it takes long."""
    for mutation in mutations:
        mutate(broken.folder, mutation)
    before = broken.state()
    with in_time():
        if whole:
            code = main(["check", str(broken.folder)])
        else:
            looked_at = any(file.startswith(("scans", "study")) for _, file, *_ in mutations)
            problems = check_study(broken.folder, scans=looked_at)[1]
            assert problems.render() or not len(problems)
            code = bool(problems.errors)
    assert broken.state() == before
    assert code in (0, 1)
    return code


def last_code(study: Path, element: str) -> int:
    """The exit code of the first step that ends otherwise than well, or of the last."""
    codes = (step([name, str(study), element]) for name in STEPS)
    return next((code for code in codes if code), 0)


def judge(broken: Folder) -> None:
    """Judge what passed the check: a step may refuse, in words."""
    before = broken.state()
    with in_time():
        codes = {last_code(broken.folder / "study.yaml", element) for element in ELEMENTS}
    assert codes <= {0, 1}
    after = broken.state()
    assert {name: after.get(name) for name in before} == before


_CHOICES: Any = {
    "deadline": None,
    "derandomize": True,
    "database": None,
    "phases": [Phase.generate],  # each is told by its mutations; finding fewer would take long
    "suppress_health_check": list(HealthCheck),
}


def test_no_mutated_study_ends_in_a_traceback(tiny):
    """Of every kind of file and every key, by bytes, cells, values, names, rights and pipes."""
    make_small(tiny.folder)
    broken, count, until = Folder(tiny.folder), 0, time.process_time() + SECONDS
    assert check(broken, [], whole=True) == 0

    @settings(max_examples=STUDIES, **_CHOICES)
    @given(mutations=MUTATIONS, whole=st.integers(0, 39))
    def break_and_check(mutations, whole):
        nonlocal count
        if time.process_time() > until:
            return
        count += 1
        try:
            check(broken, mutations, whole == 0)
        finally:
            broken.restore()

    break_and_check()
    assert count >= FEWEST


def test_mutated_studies_that_pass_the_check_are_judged_or_refused(tiny):
    """The steps up to the verdict, on studies that are odd and not wrong."""
    make_quick(tiny.folder)
    broken, count = Folder(tiny.folder), 0

    @settings(max_examples=60, **_CHOICES)
    @given(mutations=MUTATIONS)
    def break_and_judge(mutations):
        nonlocal count
        if count == JUDGED:
            return
        try:
            for mutation in mutations:
                mutate(broken.folder, mutation)
            changed = broken.contents() != broken.whole and "permutations: 9" in broken.study()
            if changed and not check_study(broken.folder)[1].errors:
                count += 1
                judge(broken)
        finally:
            broken.restore()

    break_and_judge()
    assert count == JUDGED


def test_the_mutations_change_what_they_are_meant_to(tiny):
    """Each kind of mutation breaks something at least once, and all is put back."""
    make_small(tiny.folder)
    broken = Folder(tiny.folder)
    whole = broken.state()
    changed: dict[tuple[str, str], bool] = {}

    @settings(max_examples=400, **_CHOICES)
    @given(mutations=MUTATIONS)
    def mutated(mutations):
        what, file, *_ = mutations[0]
        mutate(broken.folder, mutations[0])
        key = (what, file)
        changed[key] = changed.get(key, False) or broken.contents() != broken.whole
        broken.restore()

    mutated()
    kinds = {what for what, _ in changed}
    assert kinds == {"yaml", "table", "bytes", "encoding", "file", "folder"}
    assert sum(changed.values()) > 0.9 * len(changed)
    assert {name: one[0] for name, one in broken.state().items()} == {
        name: one[0] for name, one in whole.items()
    }
