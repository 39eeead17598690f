"""Check: every problem of every file at once; nothing goes on while there is an error."""

from __future__ import annotations

import sys

import pandas as pd

from morpho.steps.files import write_table
from morpho.study.config import StudyConfig

__all__ = ["run"]

_COLUMNS = ["severity", "file", "line", "element", "specimen", "landmark", "found", "remedy"]


def run(config: StudyConfig, look: str = "") -> None:
    """Print what was found and, if there is no error, write it as a table.

    With `look` nothing is written, and only errors are printed.
    """
    from morpho.study.check import check_study

    _, problems = check_study(config.path)
    problems.raise_if_errors()
    if look:
        return
    print(problems.render() or "Nothing to complain of.", file=sys.stderr)
    rows = [
        {
            "severity": problem.severity,
            "file": problems.shown_path(problem.file),
            **{name: getattr(problem, name) for name in _COLUMNS[2:]},
        }
        for problem in problems
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    table["line"] = table["line"].astype("Int64")
    write_table(config.results / "check.csv", table)
