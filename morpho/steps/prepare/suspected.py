"""Suspected slips of digitising, told by the check."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np

from morpho.report.words.suspicions import check_words
from morpho.report.words.trouble import reason_words
from morpho.steps.prepare.screen import suspected_slips
from morpho.study.check import Study, check_study
from morpho.study.landmarks.reading import DIGITISATION
from morpho.study.reading.problems import Problems

__all__ = ["check_and_screen"]

# Coordinates of bones lie between these, in mm; the squares of others may be no numbers.
_TINY, _HUGE = 1e-50, 1e50
# A slip of more landmarks than this is told where the digitisation begins.
_MARKED = 4


def _tell(study: Study, element: str, problems: Problems) -> None:
    """Warn of suspected slips in digitisations without an error, each at its line."""
    wrong = {one.specimen for one in problems.errors if one.element == element}
    sized = {
        one.specimen for one in problems.warnings if one.element == element and "size" in one.found
    }
    rows = study.landmarks[element]
    rows = rows[~rows["specimen"].isin(wrong)]
    largest = float(rows[["x", "y", "z"]].abs().max().max())
    if not _TINY < largest < _HUGE:
        return  # nothing to screen, or numbers that no bone has
    try:
        table, _, trouble = suspected_slips(study.schemes[element], study.specimens, rows)
    except np.linalg.LinAlgError:
        return  # coordinates that no bone has
    for refused in trouble.rows:
        problems.note(
            f"Slips of digitising were not looked for: {reason_words(refused)}",
            "Look the digitisations over yourself.",
            file=study.config.path,
            element=element,
        )
    parts = {key: part for key, part in rows.groupby(list(DIGITISATION), sort=False)}
    times = Counter(specimen for specimen, *_ in parts)
    for row in table.to_dict("records"):
        specimen = str(row["specimen"])
        if row["kind"] == "size" and specimen in sized:
            continue
        part = parts[specimen, row["replicate"], row["observer"]].sort_values(["file", "line"])
        marks = [mark for mark in str(row["landmarks"]).split(";") if mark]
        if len(marks) <= _MARKED:  # else it is the whole bone
            part = part[part["landmark"].isin(marks)] if marks else part
        found, remedy = check_words(row, repeated=times[specimen] > 1)
        problems.warning(
            found,
            remedy,
            file=study.config.absolute(str(part["file"].iloc[0])),
            line=int(part["line"].iloc[0]),
            element=element,
            specimen=specimen,
            landmark=marks[0] if len(marks) == 1 else None,
        )


def check_and_screen(path: Path | str, scans: bool = True) -> tuple[Study | None, Problems]:
    """Check a study's files, and warn of the slips that its digitisations are suspected of."""
    study, problems = check_study(path, scans=scans)
    if study is not None:
        for element in study.landmarks:
            _tell(study, element, problems)
    return study, problems
