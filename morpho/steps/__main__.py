"""Do one job of the workflow: python -m morpho.steps STEP STUDY [ELEMENT [NAME]].

All figures of an element are drawn by one call that names none.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.steps.progress import told_in_tenths
from morpho.workflow.rules import RULES

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["STEPS", "main"]

STEPS = tuple(rule.step for rule in RULES)
# Look at the input, and write nothing; do the job only if it is due.
_LOOK, _IF_DUE = "look", "--if-due"
_USAGE = f"usage: python -m morpho.steps [{_IF_DUE}] STEP STUDY [ELEMENT [NAME]]"


def _calls(config: StudyConfig, step: str, rest: list[str]) -> list[list[str]]:
    """What each job of a call is named by."""
    from morpho.workflow.plan import Plan

    return [job.arguments for job in Plan(config).called(step, *rest)]


def _do(config: StudyConfig, step: str, rest: list[str], if_due: bool) -> None:
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
        made = module.run(seen, rest[0], ElementResults(config.results, rest[0]), *rest[1:])
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
    from morpho.inference.models.design import InferenceError
    from morpho.shape.checks import ShapeError
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
    tell = told_in_tenths(" ".join((step, *rest))) if len(calls) > 1 else None
    code = 0
    for done, call in enumerate(calls, start=1):
        try:
            _do(config, step, call, if_due)
        except StudyError as error:
            print(error, file=sys.stderr)
            code = 1
        except (ShapeError, InferenceError) as error:
            print(f"{step}, {' '.join(call) or study}: {error}", file=sys.stderr)
            code = 1
        if tell:
            tell(done, len(calls))
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
