"""Check: every problem of every file at once; nothing goes on while there is an error."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pandas as pd

from morpho.results.store import write_table
from morpho.study.public_inputs import input_files
from morpho.study.public_names import PublicNames

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

_COLUMNS = ["severity", "file", "line", "element", "specimen", "landmark", "found", "remedy"]


def run(config: StudyConfig, look: str = "") -> None:
    """Print what was found and, if there is no error, write it as a table.

    With `look` nothing is written, and only errors are printed.
    """
    if look:  # quickly: screening takes a while to import, and has no errors to tell
        from morpho.study.check import check_study

        check_study(config.path)[1].raise_if_errors()
        return
    from morpho.steps.prepare.suspected import check_and_screen

    _, problems = check_and_screen(config.path)
    problems.raise_if_errors()
    print(problems.render() or "Nothing to complain of.", file=sys.stderr)
    names = PublicNames(config, input_files(config))
    rows = [
        {
            "severity": problem.severity,
            "file": names.name(problem.file) if problem.file else "",
            **{name: getattr(problem, name) for name in _COLUMNS[2:]},
        }
        for problem in problems
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    table["found"] = table["found"].map(names.without_folders)
    table["remedy"] = table["remedy"].map(names.without_folders)
    table["line"] = table["line"].astype("Int64")
    write_table(config.results / "check.csv", table)
