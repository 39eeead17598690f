"""What happens on the way, in words: warnings of the check, edited results, steps that fail."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.reading.problems import Problem, Problems
from morpho.study.reading.wording import visible
from morpho.workflow.phrases import doing

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig
    from morpho.workflow.plan import Job
    from morpho.workflow.state import State

__all__ = ["edited_words", "failure_words", "warnings_of_check"]

# Lines of a step's log that are shown when it fails.
_LAST = 20
_TRACEBACK = "Traceback (most recent call last):"


def warnings_of_check(config: StudyConfig) -> Iterator[str]:
    """What the check found that does not stop the run, suspected slips among it."""
    try:
        with open(config.results / "check.csv", encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row["severity"] == "warning"]
    except OSError:
        return
    problems = Problems()
    for row in rows:
        problems.add(
            Problem(
                "warning", row["found"], row["remedy"], Path(row["file"]),
                int(row["line"]) if row["line"] else None,
                row["element"] or None, row["specimen"] or None, row["landmark"] or None,
            )
        )  # fmt: skip
    if rows:
        yield problems.render()


def edited_words(state: State) -> Iterator[str]:
    """Name the results that were edited by hand and are to be made again."""
    for one in state.due.values():
        for reason in one.reasons:
            if reason.words == "was edited by hand":
                yield (
                    f"{visible(reason.what)} was edited by hand: it is kept beside the new one, "
                    "under a name that ends in .edited."
                )


def failure_words(jobs: Sequence[Job], log: Path) -> str:
    """Say that a step failed, and why: what it said itself, or where it broke."""
    try:
        said = log.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        said = ""
    what = visible(doing(*jobs))
    if _TRACEBACK in said:
        last = said.splitlines()[-1]
        return (
            f"{what}: stopped by a mistake in the program ({visible(last[:300])}). Its whole "
            f"account is in {log}; please report it."
        )
    lines = [f"  {visible(line)}" for line in said.splitlines()[-_LAST:]]
    return "\n".join([f"{what}: could not be done.", *lines])
