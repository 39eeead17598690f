"""Carry: the points of the patches, from the template to the scan of one specimen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.store import ElementResults
from morpho.shape.semilandmarks.curves import resample
from morpho.shape.superimposition import GeneralizedProcrustes, procrustes_distance
from morpho.shape.surfaces.patches import carry_points
from morpho.shape.symmetry.sides import mirror
from morpho.steps.prepare.averaged import Bones, average_bones
from morpho.study.element import read_element
from morpho.study.landmarks.reading import DIGITISATION
from morpho.study.reading.paths import safe_name
from morpho.study.scans.reading import read_scan
from morpho.study.scheme.reading import Patch, Scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Template:
    """The specimen that carries the placed points of a patch."""

    patch: str
    specimen: str
    points: Array


def _placed(rows: pd.DataFrame, patch: str) -> dict[str, Array]:
    """Points of a patch by specimen: of the first digitisation that has them."""
    numbers = rows["landmark"].str.extract(rf"^{patch}\.(\d+)$")[0]
    chosen = rows[numbers.notna()].assign(number=numbers.dropna().astype(int))
    chosen = chosen.dropna(subset=["x", "y", "z"]).sort_values([*DIGITISATION, "number"])
    found: dict[str, Array] = {}
    for key, part in chosen.groupby(list(DIGITISATION)):
        found.setdefault(str(key[0]), part[["x", "y", "z"]].to_numpy(float))
    return found


def _nearest_to_mean(rows: pd.DataFrame, scheme: Scheme, candidates: Sequence[str]) -> str:
    """The candidate whose shape is nearest to the mean of all complete bones."""
    bones = average_bones(rows, scheme, curves=False)
    complete = np.asarray(~np.isnan(bones.landmarks).any(axis=(1, 2)))
    X = bones.landmarks[complete]
    names = [name for name, kept in zip(bones.specimens, complete, strict=True) if kept]
    able = [name for name in candidates if name in names]
    if len(X) < 3 or not able:
        return candidates[0]
    mean = GeneralizedProcrustes().fit(X).mean_
    distances = procrustes_distance(X, mean[None])
    return min(able, key=lambda name: (distances[names.index(name)], name))


def _template_of(
    patch: Patch, rows: pd.DataFrame, scheme: Scheme, known: Sequence[str]
) -> _Template | None:
    """Find the template of a patch: the one chosen, or of those placed the one nearest the mean."""
    placed = _placed(rows, patch.name)
    if patch.template is not None:
        if patch.template not in placed:
            return None
        return _Template(patch.name, patch.template, placed[patch.template])
    candidates = sorted(set(placed) & set(known)) or sorted(placed)
    if not candidates:
        return None
    name = candidates[0]
    if len(candidates) > 1:
        name = _nearest_to_mean(rows[rows["specimen"].isin(known)], scheme, candidates)
    return _Template(patch.name, name, placed[name])


def _anchors(bones: Bones, scheme: Scheme, specimen: str) -> Array:
    """Landmarks and equally spaced points of the curves of one specimen."""
    i = bones.specimens.index(specimen)
    parts = [bones.landmarks[i]]
    for curve in scheme.curves:
        line = bones.polylines[curve.name][i]
        missing = np.full((curve.semilandmarks, 3), np.nan)
        parts.append(missing if np.isnan(line).any() else resample(line, curve.semilandmarks))
    return np.concatenate(parts)


def run(config: StudyConfig, element: str, results: ElementResults, name: str) -> None:
    """Write the carried points of one specimen, known by the name its files bear.

    Without a scan or without landmarks enough the table stays empty.
    """
    scheme, specimens, rows = read_element(config, element)
    known = specimens.index[specimens["role"] == "known"].tolist()
    tables = []
    for specimen in (s for s in specimens.index if safe_name(s) == name):
        scan = config.scan_file(element, specimen)
        if scan is None:
            continue
        mesh = read_scan(scan, config.scan_units(element, specimen))
        for patch in scheme.patches:
            template = _template_of(patch, rows, scheme, known)
            if template is None:
                continue
            pair = average_bones(rows[rows["specimen"].isin([specimen, template.specimen])], scheme)
            here = _anchors(pair, scheme, specimen)
            there = _anchors(pair, scheme, template.specimen)
            points = template.points
            template_scan = config.scan_file(element, template.specimen)
            template_mesh = None
            if template_scan is not None:
                its_units = config.scan_units(element, template.specimen)
                template_mesh = read_scan(template_scan, its_units)
            sides = specimens.loc[[specimen, template.specimen], "side"].tolist()
            if scheme.symmetry == "matching" and set(sides) == {"left", "right"}:
                there, points = mirror(there), mirror(points)
                if template_mesh is not None:
                    template_mesh.apply_transform(np.diag([1.0, 1.0, -1.0, 1.0]))
            both = ~np.isnan(here).any(axis=1) & ~np.isnan(there).any(axis=1)
            if both.sum() < 5:
                continue
            carried = carry_points(
                points, there[both], here[both], mesh, template_mesh=template_mesh
            )
            table = pd.DataFrame(carried.points, columns=["x", "y", "z"])
            table.insert(0, "number", np.arange(1, len(table) + 1))
            table.insert(0, "patch", patch.name)
            table.insert(0, "specimen", specimen)
            table["distance_mm"] = carried.distance
            table["flag"] = carried.flag
            tables.append(table)
    results.write_table(f"carried/{name}", tables)
