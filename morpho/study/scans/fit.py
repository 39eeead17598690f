"""Every scan of an element: is it there, can it be read, does it fit the landmarks placed on it?"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import trimesh

from morpho.study.landmarks.digitised import Digitised
from morpho.study.reading.coordinates import probable_unit
from morpho.study.reading.paths import SCAN_ENDINGS, safe_name
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.study.scans.distances import ScanDistances
from morpho.study.scans.reading import read_scan_with_notes
from morpho.study.scans.templates import patch_carriers
from morpho.wording import listed

__all__ = ["check_scans"]

# A scan this many times larger or smaller than the landmarks on it has another unit.
GROSSLY_OFF = 5.0
# Landmarks may stand out of the scan's box by this share of its diagonal.
OUTSIDE_SHARE = 0.1


def check_scans(of: Digitised) -> None:
    """Check the scans of one element: which there are, whether they can be read and fit."""
    config, element, specimens = of.config, of.scheme.element, of.specimens
    _check_templates(of)
    pattern = config.scan_pattern
    if pattern is None or pattern.unknown or "specimen" not in pattern.placeholders:
        return
    by_specimen = dict(iter(of.landmarks.groupby("specimen")))
    expected: set[Path] = set()
    distances = ScanDistances(of.scheme)
    for name in specimens.index:
        files, rows = config.scan_files(element, name), by_specimen.get(name)
        expected.update(files)
        here = of.problems.at(file=files[0] if files else config.specimens_file, specimen=str(name))
        if not files:
            if rows is not None and specimens.at[name, "role"] == "query":
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
        if rows is None:
            here.note(
                "There is a scan but no digitisation.",
                "Add its landmark table; until then the scan is not used.",
            )
        mesh = _read(files[0], config.scan_units(element, name), here)
        if mesh is not None and rows is not None and _fits(of, str(name), mesh, rows, here):
            distances.add(str(name), files[0], mesh, rows)
    distances.tell(of.problems)
    names = {safe_name(name): name for name in specimens.index}
    for path in pattern.files(element=element):
        if path in expected or path.suffix.lower() not in SCAN_ENDINGS:
            continue
        told = (pattern.values(path) or {}).get("specimen", "")
        hint = meant(nearest(told, names), lambda near: quoted(names[near]))
        of.problems.note(
            f"This scan is of {quoted(told)}, which is not in the specimen table.",
            f"{hint} Rename it, or add the specimen."
            if hint
            else "Add the specimen to the table if it belongs to the study.",
            file=path,
        )


def _check_templates(of: Digitised) -> None:
    for patch in of.scheme.patches:
        carriers = patch_carriers(of.landmarks, patch.name)
        candidates = carriers if patch.template is None else [patch.template]
        if any(of.config.scan_file(of.scheme.element, name) is not None for name in candidates):
            continue
        whose = " from its template" if patch.template else ""
        if patch.template is None and carriers:
            whose = f" from {listed(map(quoted, carriers), last='or')}"
        of.problems.warning(
            f"There is no scan to carry the patch {patch.name}{whose}.",
            "Add the scan; without it the patch is left out.",
            file=of.config.scheme_path(of.scheme.element),
            specimen=patch.template,
        )


def _read(path: Path, units: str, here: Problems) -> trimesh.Trimesh | None:
    """Read a scan, and tell what is told of it; None if it cannot be used."""
    mesh = None
    try:
        mesh, told = read_scan_with_notes(path, units)
    except StudyError as error:
        told = error.problems
    for one in told:
        here.tell(one.severity, one.found, one.remedy)
    return mesh


def _fits(
    of: Digitised, name: str, mesh: trimesh.Trimesh, rows: pd.DataFrame, here: Problems
) -> bool:
    """Whether a scan fits its landmarks at all; told where it does not."""
    element, units = of.scheme.element, of.config.scan_units(of.scheme.element, name)
    low, high = mesh.bounds
    diagonal = float(np.linalg.norm(high - low))
    for _, digitised in rows.groupby(["replicate", "observer"], sort=False):
        points = digitised[["x", "y", "z"]].dropna().to_numpy(dtype=float)
        span = float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) > 2 else 0.0
        if span == 0:
            continue  # told by the check of the landmarks
        ratio = diagonal / span
        if not 1 / GROSSLY_OFF < ratio < GROSSLY_OFF:
            unit = probable_unit(ratio, units) if math.isfinite(ratio) and ratio > 0 else None
            times = f"{ratio:.3g} times as" if ratio > 1 else f"1/{1 / ratio:.3g} as"
            here.error(
                f"The scan is {times} large as the landmarks placed on it.",
                f"Its unit is probably {unit}, not {units} (scans: units in study.yaml). If the "
                "other scans are right, write under scans: units_of: "
                f"{{{element}: {{{name}: {unit}}}}}."
                if unit
                else "Check the units of scans and landmarks in study.yaml.",
            )
            return False
        outside = np.maximum(np.maximum(low - points, points - high), 0).max()
        if outside > OUTSIDE_SHARE * diagonal:
            first = digitised.sort_values(["file", "line"]).iloc[0]
            here.error(
                f"Landmarks lie up to {outside:.3g} mm outside the scan, which is {diagonal:.3g} "
                f"mm across (digitisation in {first['file']}, line {first['line']}).",
                "The landmarks were not placed on this scan, or it was moved afterwards: export "
                "both again from one place.",
            )
            return False
    return True
