"""Run one step of the workflow: python -m morpho.steps STEP STUDY [ELEMENT [FIGURE]]."""

from __future__ import annotations

import sys
from importlib import import_module

__all__ = ["main"]

STEPS = (
    "check", "screen", "prepare", "carry", "slide", "measure", "superimpose", "ordinate", "grow",
    "compare", "discriminate", "place", "calibrate", "vary", "rarefy", "conclude", "differ",
    "warp", "portray", "draw", "combine", "report", "supplement", "archive", "finish",
)  # fmt: skip
# Steps that take the whole study, not an element of it.
WHOLE = ("check", "combine", "report", "supplement", "archive", "finish")


def main(arguments: list[str]) -> int:
    """Run a step; trouble with the user's data is told in words, without a traceback.

    Parameters
    ----------
    arguments : list of str
        Step, path of study.yaml, and what the step takes beyond them.

    Returns
    -------
    int
        Exit code: 0 done, 1 trouble with the data, 2 wrong call.
    """
    if len(arguments) < 2 or arguments[0] not in STEPS:
        print(f"usage: python -m morpho.steps STEP STUDY [...]; steps: {', '.join(STEPS)}")
        return 2
    from morpho.inference.design import InferenceError
    from morpho.shape.checks import ShapeError
    from morpho.steps.files import ElementResults
    from morpho.study.config import read_config
    from morpho.study.problems import StudyError

    step, study, *rest = arguments
    try:
        config = read_config(study)
        module = import_module(f"morpho.steps.{step}")
        if step in WHOLE:
            module.run(config, *rest)
        else:
            module.run(config, rest[0], ElementResults(config.results, rest[0]), *rest[1:])
    except StudyError as error:
        print(error, file=sys.stderr)
        return 1
    except (ShapeError, InferenceError) as error:
        print(f"{step}, {' '.join(rest) or study}: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
