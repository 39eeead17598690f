"""Do one job of the workflow: python -m morpho.steps STEP STUDY [ELEMENT [NAME]].

Without a name a call does all figures, or all scans, of an element.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.steps.progress import told_in_tenths
from morpho.workflow.rules import BY_STEP, RULES

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["STEPS", "main"]

STEPS = tuple(rule.step for rule in RULES)
# Look at the input, and write nothing; do the job only if it is due.
CORES = "FORMKIN_CORES"  # that a call may use, as the engine says
_LOOK, _IF_DUE = "look", "--if-due"
_USAGE = f"usage: python -m morpho.steps [{_IF_DUE}] STEP STUDY [ELEMENT [NAME]]"


def _calls(config: StudyConfig, step: str, rest: list[str]) -> list[list[str]]:
    """What each job of a call is named by."""
    from morpho.workflow.plan import Plan

    return [job.arguments for job in Plan(config).called(step, *rest)]


def _do(
    config: StudyConfig, step: str, rest: list[str], if_due: bool, shared: Sequence[Any] = ()
) -> None:
    """Do a job, and keep beside the results what it was made from."""
    from morpho.results.store import ElementResults
    from morpho.workflow.heeded import heeded
    from morpho.workflow.jobs import begin_job, end_job

    begun = begin_job(config, step, rest, if_due=if_due)
    if begun is None:
        print(f"{' '.join((step, *rest))}: what it made still holds.")
        return
    module = import_module(f"morpho.{begun.job.rule.module}")
    seen = heeded(config, begun.job.rule.settings)
    if begun.job.rule.per == "study":
        made = module.run(seen, *rest)
    else:
        made = module.run(
            seen, rest[0], ElementResults(config.results, rest[0]), *rest[1:], *shared
        )
    for path in end_job(config, begun, made or []):
        print(f"{path} was edited by hand, and is left.", file=sys.stderr)


def main(arguments: list[str]) -> int:
    """Run a step; trouble with the user's data is told in words, without a traceback.

    With ``--if-due`` nothing is done where what the step made still holds. The exit code is 0
    where it was done, 1 on trouble with the data, 2 on a wrong call.
    """
    from morpho.workflow.state import ANEW

    told = arguments[:1] == [_IF_DUE]
    if_due, arguments = told and ANEW not in os.environ, arguments[told:]
    if len(arguments) < 2 or arguments[0] not in STEPS:
        print(f"{_USAGE}; steps: {', '.join(STEPS)}")
        return 2
    from morpho.study.reading.problems import StudyError
    from morpho.study.settings.config import read_config

    step, study, *rest = arguments
    try:
        config = read_config(Path(study))
        if step == "check" and rest == [_LOOK]:
            import_module("morpho.steps.prepare.check").run(config, _LOOK)
            return 0
        calls = _calls(config, step, rest)
    except StudyError as error:
        print(error, file=sys.stderr)
        return 1
    if len(calls) == 1:
        return _tried(config, step, calls[0], if_due)
    tell, code = told_in_tenths(" ".join((step, *rest))), 0
    for done, one in enumerate(_each(config, step, calls, if_due), start=1):
        code = max(code, one)
        tell(done, len(calls))
    return code


def _each(config: StudyConfig, step: str, calls: list[list[str]], if_due: bool) -> Iterator[int]:
    """Do jobs one after another, or on as many cores as the engine grants; give their codes."""
    from morpho.study.reading.problems import StudyError
    from morpho.workflow.heeded import heeded

    rule = BY_STEP[step]
    module = import_module(f"morpho.{rule.module}")  # once, not in each process
    try:
        share = getattr(module, "share", None)
        shared = [share(heeded(config, rule.settings), calls[0][0])] if share else []
    except StudyError as error:
        print(error, file=sys.stderr)
        yield 1
        return
    cores = min(int(os.environ.get(CORES, "1")), len(calls))
    do = partial(_tried, config, step, if_due=if_due, shared=shared)
    if cores < 2 or sys.platform != "linux":  # elsewhere a fork may harm what is imported
        yield from map(do, calls)
        return
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    sys.stdout.flush()
    with ProcessPoolExecutor(cores, get_context("fork")) as pool:
        try:
            yield from pool.map(do, calls)
        except BrokenProcessPool:
            print(
                f"{step}: a process was killed, most likely as memory ran out. Run the study again "
                "with fewer cores; what was finished is kept.",
                file=sys.stderr,
            )
            yield 1


def _tried(
    config: StudyConfig, step: str, call: list[str], if_due: bool, shared: Sequence[Any] = ()
) -> int:
    """Do a job; trouble is told in words."""
    from morpho.inference.models.design import InferenceError
    from morpho.shape.checks import ShapeError
    from morpho.study.reading.problems import StudyError

    try:
        _do(config, step, call, if_due, shared)
    except StudyError as error:
        print(error, file=sys.stderr)
    except (ShapeError, InferenceError) as error:
        print(f"{step}, {' '.join(call) or config.path}: {error}", file=sys.stderr)
    except (OSError, MemoryError) as error:
        said = _mishap(error, config.path)
        if said is None:
            raise
        print(f"{' '.join((step, *call))}: {said}", file=sys.stderr)
    else:
        return 0
    return 1


def _mishap(error: OSError | MemoryError, study: Path) -> str | None:
    """What happened, in words, where it is neither the user's slip nor the program's."""
    from resource import RUSAGE_SELF, getrusage

    from morpho.study.settings.config import read_config
    from morpho.workflow.mishaps import in_bytes, mishap_words, said_of_folders

    folder = study.resolve().parent
    try:
        results = read_config(study).results
        folder = results if results.is_dir() else results.parent
    except Exception:  # with the study gone there is nothing to read
        gone = said_of_folders(folder)
        if gone is not None:
            return gone
    return mishap_words(error, folder, in_bytes(getrusage(RUSAGE_SELF).ru_maxrss))


if __name__ == "__main__":
    from morpho.steps.watched import watched

    sys.exit(watched(main, sys.argv[1:]))
