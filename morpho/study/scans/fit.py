"""Every scan of an element: is it there, can it be read, does it fit the landmarks placed on it?"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import trimesh

from morpho.study.landmarks.digitised import Digitised
from morpho.study.reading.coordinates import probable_unit
from morpho.study.reading.paths import SCAN_ENDINGS, safe_name
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.reading.wording import nearest, quoted
from morpho.study.scans.distances import ScanDistances
from morpho.study.scans.reading import read_scan_with_notes
from morpho.study.scans.templates import patch_carriers
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_scans"]

# A scan this many times larger or smaller than the landmarks on it has another unit.
GROSSLY_OFF = 5.0
# Landmarks may stand out of the scan's box by this share of its diagonal.
OUTSIDE_SHARE = 0.1


def check_scans(of: Digitised) -> None:
    """Check the scans of one element: which there are, whether they can be read and fit."""
    config, scheme, problems = of.config, of.scheme, of.problems
    specimens, landmarks = of.specimens, of.landmarks
    _check_templates(config, scheme, landmarks, problems)
    pattern = config.scan_pattern
    if pattern is None or pattern.unknown or "specimen" not in pattern.placeholders:
        return
    by_specimen = {name: rows for name, rows in landmarks.groupby("specimen")}
    expected: set[Path] = set()
    distances = ScanDistances(scheme)
    for name in specimens.index:
        files = config.scan_files(scheme.element, name)
        expected.update(files)
        here = problems.at(
            file=files[0] if files else config.specimens_file,
            element=scheme.element,
            specimen=str(name),
        )
        if not files:
            if name in by_specimen and specimens.at[name, "role"] == "query":
                here.note(
                    "The query has no scan.",
                    "Add it if there is one: the differences can then be shown on the bone.",
                )
            continue
        if len(files) > 1:
            here.warning(
                f"There are {len(files)} scans of this specimen; {quoted(files[0].name)} is used.",
                f"Keep one of {listed(quoted(file.name) for file in files)}.",
            )
        if name not in by_specimen:
            here.note(
                "There is a scan but no digitisation.",
                "Add its landmark table; until then the scan is not used.",
            )
        rows = by_specimen.get(name)
        mesh = _check_one(config, scheme.element, files[0], str(name), rows, problems)
        if mesh is not None and rows is not None:
            distances.add(str(name), files[0], mesh, rows)
    distances.tell(problems)
    names = {safe_name(name): name for name in specimens.index}
    for path in [f for f in pattern.files(element=scheme.element) if f not in expected]:
        told = (pattern.values(path) or {}).get("specimen", "")
        if path.suffix.lower() not in SCAN_ENDINGS:
            continue
        near = nearest(told, list(names))
        problems.note(
            f"This scan is of {quoted(told)}, which is not in the specimen table.",
            f"Did you mean {quoted(names[near])}? Rename it, or add the specimen."
            if near
            else "Add the specimen to the table if it belongs to the study.",
            file=path,
            element=scheme.element,
        )


def _check_templates(
    config: StudyConfig, scheme: Scheme, landmarks: pd.DataFrame, problems: Problems
) -> None:
    for patch in scheme.patches:
        carriers = patch_carriers(landmarks, patch.name)
        candidates = carriers if patch.template is None else (patch.template,)
        if any(config.scan_file(scheme.element, name) is not None for name in candidates):
            continue
        whose = " from its template" if patch.template else ""
        if patch.template is None and carriers:
            whose = f" from {listed(map(quoted, carriers), last='or')}"
        problems.warning(
            f"There is no scan to carry the patch {patch.name}{whose}.",
            "Add the scan; without it the patch is left out.",
            file=config.scheme_path(scheme.element),
            element=scheme.element,
            specimen=patch.template,
        )


def _check_one(
    config: StudyConfig,
    element: str,
    path: Path,
    name: str,
    rows: pd.DataFrame | None,
    problems: Problems,
) -> trimesh.Trimesh | None:
    """Read a scan; None if it does not fit its landmarks at all."""
    try:
        mesh, told = read_scan_with_notes(path, config.scan_units(element, name))
    except StudyError as error:
        told = error.problems
        mesh = None
    problems.extend(replace(one, file=path, element=element, specimen=name) for one in told)
    here = problems.at(file=path, element=element, specimen=name)
    if mesh is None or rows is None:
        return mesh
    low, high = mesh.bounds
    diagonal = float(np.linalg.norm(high - low))
    for _, digitised in rows.groupby(["replicate", "observer"], sort=False):
        points = digitised[["x", "y", "z"]].to_numpy(dtype=float)
        points = points[~np.isnan(points).any(axis=1)]
        if len(points) < 3:
            continue
        span = float(np.linalg.norm(np.ptp(points, axis=0)))
        if span == 0:
            continue  # told by the check of the landmarks
        first = digitised.sort_values(["file", "line"]).iloc[0]
        if _tell_misfit(config, diagonal / span, element, name, here):
            return None
        outside = np.maximum(np.maximum(low - points, points - high), 0).max()
        if outside > OUTSIDE_SHARE * diagonal:
            here.error(
                f"Landmarks lie up to {outside:.3g} mm outside the scan, which is {diagonal:.3g} "
                f"mm across (digitisation in {first['file']}, line {first['line']}).",
                "The landmarks were not placed on this scan, or it was moved afterwards: export "
                "both again from one place.",
            )
            return None
    return mesh


def _tell_misfit(
    config: StudyConfig, ratio: float, element: str, name: str, here: Problems
) -> bool:
    """Tell a scan that is grossly larger or smaller than its landmarks."""
    if 1 / GROSSLY_OFF < ratio < GROSSLY_OFF:
        return False
    stated = config.scan_units(element, name)
    unit = probable_unit(ratio, stated) if math.isfinite(ratio) and ratio > 0 else None
    times = f"{ratio:.3g} times as large as" if ratio > 1 else f"1/{1 / ratio:.3g} as large as"
    here.error(
        f"The scan is {times} the landmarks placed on it.",
        f"Its unit is probably {unit}, not {stated} (scans: units in study.yaml). If the other "
        f"scans are right, write under scans: units_of: {{{element}: {{{name}: {unit}}}}}."
        if unit
        else "Check the units of scans and landmarks in study.yaml.",
    )
    return True
