"""The whole study checked at once: every problem of every file."""

from __future__ import annotations

from pathlib import Path

from morpho.study.checks.letters import check_letters
from morpho.study.checks.preparation import check_distortion, check_estimates
from morpho.study.checks.publication import check_publication
from morpho.study.checks.results_folder import check_results_folder
from morpho.study.checks.sample import check_element, check_model, check_sample, check_sides
from morpho.study.landmarks.digitised import Digitised, Study
from morpho.study.landmarks.pairs import check_pairs
from morpho.study.landmarks.reading import gather_landmarks
from morpho.study.reading.file_count import check_files, check_scan_units
from morpho.study.reading.problems import Problems
from morpho.study.scheme.reading import gather_scheme, usable_names
from morpho.study.settings.config import gather_config
from morpho.study.specimens import gather_specimens

__all__ = ["Study", "check_study"]


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
    found = {
        name: gather_scheme(config.scheme_path(name), name, problems) for name in config.elements
    }
    schemes = {name: scheme for name, scheme in found.items() if scheme is not None}
    broken = {
        name: usable_names(config.scheme_path(name), name) for name in found if name not in schemes
    }
    specimens = gather_specimens(config, problems)
    tables = gather_landmarks(config, schemes, specimens, problems, broken)
    if specimens is None:
        return None, problems
    landmarks = {element: rows for element, rows in tables.items() if element in schemes}
    study = Study(config, schemes, specimens, landmarks)
    for check in (check_files, check_scan_units, check_letters, check_model, check_publication):
        check(study, problems)
    elements = [
        Digitised(config, schemes[element], specimens, rows, problems.at(element=element))
        for element, rows in landmarks.items()
    ]
    for of in elements:
        check_sides(of)
        check_pairs(of)
        check_estimates(of)
        if scans:
            from morpho.study.scans.fit import check_scans  # trimesh takes a while to import

            check_scans(of)
    check_distortion(study, problems)
    check_sample(study, tables, problems)
    for of in elements:
        check_element(of)
    return study, problems
