"""Which files were found, which were expected, and which were passed over."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.landmarks.digitised import Study
from morpho.study.reading.paths import SCAN_ENDINGS, PathPattern
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_files", "check_scan_units", "with_scans"]

# What a landmark table may end in, whatever the pattern says.
TABLE_ENDINGS = (".csv", ".tsv", ".tab", ".xls", ".xlsx", ".ods")
# Names that are told.
SHOWN = 5


def with_scans(config: StudyConfig, element: str, digitised: Iterable[str]) -> list[str]:
    """Pick the specimens that have a scan of an element."""
    return [name for name in digitised if config.scan_file(element, name) is not None]


def _passed_over(
    config: StudyConfig, patterns: list[PathPattern], endings: tuple[str, ...]
) -> list[Path]:
    """Files of the patterns' folders that fit none of them, for any element."""
    own = {config.path, config.specimens_file, *map(config.scheme_path, config.elements)}
    there, used = set(), set(own)
    for pattern in patterns:
        for element in config.elements:
            there.update(pattern.beside(element=element))
            used.update(pattern.files(element=element))
            used.update(pattern.near_misses(element=element))
    return sorted(path for path in there - used if path.suffix.lower() in endings)


def _tell_passed_over(
    config: StudyConfig, part: str, paths: list[Path], patterns: str, problems: Problems
) -> None:
    by_folder: dict[Path, list[str]] = {}
    for path in paths:
        by_folder.setdefault(path.parent, []).append(path.name)
    for folder, names in by_folder.items():
        one = len(names) == 1
        problems.warning(
            f"{len(names)} {'file is' if one else 'files are'} passed over: "
            f"{listed(map(quoted, names), most=SHOWN)} {'does' if one else 'do'} not fit {part}: "
            f"files ({patterns}).",
            f"Rename {'it' if one else 'them'} or change {part}: files in study.yaml, if "
            f"{'it belongs' if one else 'they belong'} to the study.",
            file=folder,
        )


def check_files(study: Study, problems: Problems) -> None:
    """Count the scans of each element, and name the tables and scans that no pattern fits."""
    config, landmarks = study.config, study.landmarks
    patterns = [one for one in config.landmark_patterns if not one.unknown]
    shown = listed((quoted(one.pattern) for one in patterns), last="or")
    tables = _passed_over(config, patterns, TABLE_ENDINGS)
    scans = config.scan_pattern
    if scans is not None and not scans.unknown:
        fitting = {p for element in config.elements for p in scans.files(element=element)}
        tables = [path for path in tables if path not in fitting]
        for element in config.elements:
            for path, what in scans.no_files(element=element):
                problems.error(
                    f"This is {what}, not a scan.",
                    "Put the scan itself there, or take it away.",
                    file=path,
                    element=element,
                )
            if "specimen" in scans.placeholders and element in landmarks:
                _count(config, element, landmarks[element], problems)
        others = _passed_over(config, [scans], SCAN_ENDINGS)
        _tell_passed_over(config, "scans", others, quoted(scans.pattern), problems)
    _tell_passed_over(config, "landmarks", tables, shown, problems)


def _count(config: StudyConfig, element: str, rows: pd.DataFrame, problems: Problems) -> None:
    digitised = sorted(set(rows["specimen"]))
    found = set(with_scans(config, element, digitised))
    absent = [quoted(name) for name in digitised if name not in found]
    if absent:
        problems.at(element=element).note(
            f"Scans of {element} were found for {len(found)} of the {len(digitised)} digitised "
            f"specimens; there is none of {listed(absent, most=SHOWN)}.",
            "If there are more, see that their names fit scans: files.",
            **config.at("scans", "files"),
        )


def check_scan_units(study: Study, problems: Problems) -> None:
    """Check that each scan that has a unit of its own is one of the study's."""
    config, specimens = study.config, study.specimens
    scans = config.settings.scans
    for element, units in scans.units_of.items() if scans else ():
        if element not in config.elements:
            problems.error(
                f"scans.units_of names the element {quoted(element)}, which is not in study.yaml.",
                meant(nearest(element, config.elements)) or f"Known: {listed(config.elements)}.",
                **config.at("scans", "units_of", element),
            )
            continue
        for specimen in (name for name in units if name not in specimens.index):
            problems.at(element=element).error(
                f"scans.units_of names {quoted(specimen)}, which is not in the specimen table.",
                meant(nearest(specimen, specimens.index), quoted) or "Put the name right.",
                **config.at("scans", "units_of", element, specimen),
            )
