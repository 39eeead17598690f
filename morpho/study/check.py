"""The whole study checked at once: every problem of every file."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from morpho.study.checks.letters import check_letters
from morpho.study.checks.preparation import check_distortion, check_estimates
from morpho.study.checks.results_folder import check_results_folder
from morpho.study.checks.sample import check_elements, check_model, check_sample, check_sides
from morpho.study.landmarks.digitised import Digitised
from morpho.study.landmarks.pairs import check_pairs
from morpho.study.landmarks.reading import gather_landmarks
from morpho.study.reading.file_count import check_files, check_scan_units
from morpho.study.reading.problems import Problems
from morpho.study.scheme.reading import Scheme, gather_scheme, usable_names
from morpho.study.settings.config import StudyConfig, gather_config
from morpho.study.specimens import gather_specimens

__all__ = ["Study", "check_study"]


@dataclass(frozen=True)
class Study:
    """A study as its author wrote it, read."""

    config: StudyConfig
    schemes: dict[str, Scheme] = field(hash=False)
    specimens: pd.DataFrame = field(hash=False, compare=False)
    landmarks: dict[str, pd.DataFrame] = field(hash=False, compare=False)


def _gather_schemes(
    config: StudyConfig, problems: Problems
) -> tuple[dict[str, Scheme], dict[str, Scheme | None]]:
    """Schemes without errors, and what can be used of the others."""
    schemes: dict[str, Scheme] = {}
    broken: dict[str, Scheme | None] = {}
    for element in config.elements:
        scheme = gather_scheme(config.scheme_path(element), element, problems)
        if scheme is not None:
            schemes[element] = scheme
        else:
            broken[element] = usable_names(config.scheme_path(element), element)
    return schemes, broken


def check_study(path: Path | str, scans: bool = True) -> tuple[Study | None, Problems]:
    """Read a whole study and tell every problem of every file at once.

    A file that cannot be read stops only what depends on it: the study is what could be read, even
    where there are errors; None if study.yaml or the specimen table could not be. Reading the scans
    as well takes longer than everything else.
    """
    problems = Problems()
    config = gather_config(path, problems)
    if config is None:
        return None, problems
    check_results_folder(config, problems)
    schemes, broken = _gather_schemes(config, problems)
    specimens = gather_specimens(config, problems)
    tables = gather_landmarks(config, schemes, specimens, problems, broken)
    if specimens is None:
        return None, problems
    landmarks = {element: rows for element, rows in tables.items() if element in schemes}
    check_files(config, landmarks, problems)
    check_scan_units(config, specimens, problems)
    check_letters(config, specimens, schemes, problems)
    check_model(config, specimens, problems)
    for element, rows in landmarks.items():
        here = problems.at(element=element)
        of = Digitised(config, schemes[element], specimens, rows, here)
        check_sides(of)
        check_pairs(of)
        check_estimates(of)
        if scans:
            from morpho.study.scans.fit import check_scans  # trimesh takes a while to import

            check_scans(of)
    check_distortion(config, schemes, specimens, landmarks, problems)
    check_sample(config, specimens, tables, problems)
    check_elements(config, schemes, specimens, landmarks, problems)
    return Study(config, schemes, specimens, landmarks), problems
