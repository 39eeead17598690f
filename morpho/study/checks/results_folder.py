"""Can the results be written where study.yaml wants them?"""

from __future__ import annotations

import errno
import os
from glob import escape, glob
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.reading.problems import Problems

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["cannot_be_written", "check_results_folder"]

_REMEDY = (
    "Make it writable, or name another folder under results in study.yaml, with a folder around "
    "it that is yours: the workflow keeps its records there."
)


def cannot_be_written(folder: Path, problem: OSError | None = None) -> tuple[str, str]:
    """Say that the results cannot be written, and what to do."""
    if problem is not None and not isinstance(problem, PermissionError):
        reason = problem.strerror or type(problem).__name__
        full = problem.errno in (errno.ENOSPC, errno.EDQUOT)
        remedy = "Make room on its disk." if full else _REMEDY
        return f"The results cannot be written into {folder} ({reason}).", remedy
    return f"The results cannot be written: you have no permission for {folder}.", _REMEDY


def _nearest_there(folder: Path) -> Path:
    while not os.path.lexists(folder) and folder != folder.parent:
        folder = folder.parent
    return folder


def check_results_folder(config: StudyConfig, problems: Problems) -> None:
    """Check that the results, and the workflow's records beside them, can be written."""
    here = problems.at(**config.at("results"))
    older = [
        Path(found)
        for deep in ("*", "*/*")
        for found in sorted(glob(os.path.join(escape(str(config.results)), deep)))
        if os.path.isdir(found)
    ]
    records = config.results.parent / ".snakemake"
    for folder in (config.results, config.results / "history", *older, records):
        there = _nearest_there(folder)
        if not os.path.isdir(there):
            here.error(
                f"The results cannot be written: {there} is a file, not a folder.",
                "Move the file away, or name another folder under results in study.yaml.",
            )
            return  # what lies below is the same
        if not os.access(there, os.W_OK | os.X_OK):
            found, remedy = cannot_be_written(there)
            here.error(found, remedy)
            return  # the same is likely of others
