"""The scans: refused where they would fail silently later, and held against the landmarks."""

from __future__ import annotations

import logging
import math
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import trimesh

from morpho.study.config import SCAN_ENDINGS, StudyConfig
from morpho.study.coordinates import MILLIMETRES, probable_unit
from morpho.study.files import safe_name
from morpho.study.problems import Problem, Problems, StudyError
from morpho.study.scheme import Scheme
from morpho.study.wording import listed, nearest, quoted

__all__ = ["check_scans", "read_scan"]

# A scan this many times larger or smaller than the landmarks on it has another unit.
GROSSLY_OFF = 5.0
# Landmarks may stand out of the scan's box by this share of its diagonal.
OUTSIDE_SHARE = 0.1

logging.getLogger("trimesh").setLevel(logging.CRITICAL)


def _refusal(path: Path, found: str, remedy: str) -> StudyError:
    return StudyError(Problems([Problem("error", found, remedy, file=path)]))


def _load(path: Path) -> Any:
    if not os.path.isfile(path):
        raise _refusal(path, "This scan does not exist.", "Put the path right.")
    if path.suffix.lower() not in SCAN_ENDINGS:
        raise _refusal(
            path,
            f"A scan cannot end in {quoted(path.suffix)}.",
            f"Export it as {listed((e[1:].upper() for e in SCAN_ENDINGS), last='or')}.",
        )
    try:
        if os.path.getsize(path) == 0:
            raise _refusal(path, "This scan is an empty file.", "Export it again.")
        return trimesh.load_mesh(path)
    except StudyError:
        raise
    except PermissionError as error:
        raise _refusal(
            path, "You have no permission to read this scan.", "Change its permissions."
        ) from error
    except MemoryError as error:
        raise _refusal(
            path, "This scan does not fit into memory.", "Reduce its number of triangles."
        ) from error
    except Exception as error:  # whatever a broken file makes the readers raise
        raise _refusal(
            path,
            f"This scan cannot be read ({type(error).__name__}); it is damaged, cut short or not "
            f"what its ending says.",
            "Export it again.",
        ) from error


def _single_mesh(loaded: Any) -> trimesh.Trimesh | None:
    if isinstance(loaded, trimesh.Scene):
        loaded = loaded.to_mesh()
    return loaded if isinstance(loaded, trimesh.Trimesh) else None


def read_scan(path: Path | str, units: str = "mm") -> trimesh.Trimesh:
    """Read a scan.

    Parameters
    ----------
    path : pathlib.Path or str
        A PLY, STL, OBJ or GLB file.
    units : {"um", "mm", "cm", "m", "inch"}
        Unit of its coordinates, as study.yaml states it; what the file itself says is not heeded.

    Returns
    -------
    trimesh.Trimesh
        The surface, in millimetres.

    Raises
    ------
    StudyError
        If the file is missing, cannot be read, has no triangle, or has coordinates that are not
        finite; the message names the file.
    """
    path = Path(path)
    mesh = _single_mesh(_load(path))
    if mesh is None or len(mesh.faces) == 0 or len(mesh.vertices) == 0:
        raise _refusal(
            path,
            "This scan has no triangle: it is empty, cut short, or a cloud of points.",
            "Export it again as a surface of triangles.",
        )
    vertices = np.asarray(mesh.vertices, dtype=np.float64)
    if not np.isfinite(vertices).all():
        raise _refusal(
            path,
            "This scan has coordinates that are not finite numbers.",
            "Clean the surface in the program that made it, and export it again.",
        )
    faces = np.asarray(mesh.faces)
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise _refusal(
            path,
            "A triangle of this scan names a corner that is not there.",
            "The file is damaged or cut short: export it again.",
        )
    if not np.ptp(vertices[np.unique(faces)], axis=0).max() > 0:
        raise _refusal(path, "All of this scan lies in one point.", "Export it again.")
    mesh.apply_scale(MILLIMETRES[units])
    return mesh


def check_scans(
    config: StudyConfig,
    scheme: Scheme,
    specimens: pd.DataFrame,
    landmarks: pd.DataFrame,
    problems: Problems,
) -> None:
    """Check the scans of one element: which there are, whether they can be read and fit.

    Parameters
    ----------
    config : StudyConfig
        The study.
    scheme : Scheme
        The element's scheme.
    specimens : pandas.DataFrame
        The specimen table.
    landmarks : pandas.DataFrame
        Rows of the element.
    problems : Problems
        Takes what is found.
    """
    _check_templates(config, scheme, problems)
    pattern = config.scan_pattern
    if pattern is None or pattern.unknown or "specimen" not in pattern.placeholders:
        return
    by_specimen = {name: rows for name, rows in landmarks.groupby("specimen")}
    expected: set[Path] = set()
    for name in specimens.index:
        files = config.scan_files(scheme.element, name)
        expected.update(files)
        where: dict[str, Any] = {"element": scheme.element, "specimen": str(name)}
        if not files:
            if name in by_specimen and specimens.at[name, "role"] == "query":
                problems.note(
                    "The query has no scan.",
                    "Add it if there is one: the differences can then be shown on the bone.",
                    file=config.specimens_file,
                    **where,
                )
            continue
        if len(files) > 1:
            problems.warning(
                f"There are {len(files)} scans of this specimen; {quoted(files[0].name)} is used.",
                f"Keep one of {listed(quoted(file.name) for file in files)}.",
                file=files[0],
                **where,
            )
        if name not in by_specimen:
            problems.note(
                "There is a scan but no digitisation.",
                "Add its landmark table; until then the scan is not used.",
                file=files[0],
                **where,
            )
        _check_one(config, scheme.element, files[0], str(name), by_specimen.get(name), problems)
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


def _check_templates(config: StudyConfig, scheme: Scheme, problems: Problems) -> None:
    for patch in scheme.patches:
        if config.scan_pattern is None or (
            patch.template is not None and config.scan_file(scheme.element, patch.template) is None
        ):
            problems.warning(
                f"There is no scan to carry the patch {patch.name}"
                + (" from its template." if patch.template else "."),
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
) -> None:
    try:
        mesh = read_scan(path, config.settings["scans"]["units"])
    except StudyError as error:
        for problem in error.problems:
            problems.error(problem.found, problem.remedy, file=path, element=element, specimen=name)
        return
    if rows is None:
        return
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
        if _tell_misfit(config, diagonal / span, path, element, name, problems):
            return
        outside = np.maximum(np.maximum(low - points, points - high), 0).max()
        if outside > OUTSIDE_SHARE * diagonal:
            problems.error(
                f"Landmarks lie up to {outside:.3g} mm outside the scan, which is {diagonal:.3g} "
                f"mm across (digitisation in {first['file']}, line {first['line']}).",
                "The landmarks were not placed on this scan, or it was moved afterwards: export "
                "both again from one place.",
                file=path,
                element=element,
                specimen=name,
            )
            return


def _tell_misfit(
    config: StudyConfig, ratio: float, path: Path, element: str, name: str, problems: Problems
) -> bool:
    """Tell a scan that is grossly larger or smaller than its landmarks."""
    if 1 / GROSSLY_OFF < ratio < GROSSLY_OFF:
        return False
    stated = config.settings["scans"]["units"]
    unit = probable_unit(ratio, stated) if math.isfinite(ratio) and ratio > 0 else None
    times = f"{ratio:.3g} times as large as" if ratio > 1 else f"1/{1 / ratio:.3g} as large as"
    problems.error(
        f"The scan is {times} the landmarks placed on it.",
        f"Its unit is probably {unit}, not {stated} (scans: units in study.yaml)."
        if unit
        else "Check the units of scans and landmarks in study.yaml.",
        file=path,
        element=element,
        specimen=name,
    )
    return True
