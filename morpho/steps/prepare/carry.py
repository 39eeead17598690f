"""Carry: the points of the patches, from the template to the scan of one specimen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.results.store import ElementResults
from morpho.shape.superimposition import GeneralizedProcrustes, procrustes_distance
from morpho.shape.surfaces.patches import carry_points
from morpho.shape.symmetry.sides import mirror
from morpho.steps.prepare.averaged import average_bones, points_of
from morpho.study.element import read_element
from morpho.study.reading.paths import safe_name
from morpho.study.scans.reading import scan_of
from morpho.study.scans.templates import patch_carriers, patch_points
from morpho.study.scheme.points import layout_of
from morpho.study.scheme.reading import Patch, Scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run", "share"]

Read = tuple[Scheme, pd.DataFrame, pd.DataFrame]


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
) -> str | None:
    """The template of a patch: the one chosen, or of those placed the one nearest the mean."""
    placed = patch_carriers(rows, patch.name)
    if patch.template is not None:
        return patch.template if patch.template in placed else None
    candidates = sorted(set(placed) & set(known)) or placed
    if len(candidates) > 1:
        return _nearest_to_mean(rows[rows["specimen"].isin(known)], scheme, candidates)
    return candidates[0] if candidates else None


def share(config: StudyConfig, element: str) -> Read:
    """Read what all jobs of a call need: the tables are many, and each job uses little of them."""
    return read_element(config, element)


def run(
    config: StudyConfig, element: str, results: ElementResults, name: str, read: Read | None = None
) -> None:
    """Write the carried points of one specimen, known by the name its files bear.

    Without a scan or without landmarks enough the table stays empty.
    """
    scheme, specimens, rows = read or share(config, element)
    known = specimens.index[specimens["role"] == "known"].tolist()
    layout, tables = layout_of(scheme, patches={}), []
    for specimen in (s for s in specimens.index if safe_name(s) == name):
        mesh = scan_of(config, element, specimen)
        for patch in scheme.patches if mesh is not None else ():
            template = _template_of(patch, rows, scheme, known)
            if template is None:
                continue
            who = [specimen, template]
            bones = average_bones(rows[rows["specimen"].isin(who)], scheme)
            here, there = points_of(bones, layout)[[bones.specimens.index(one) for one in who]]
            points = patch_points(rows, patch.name, template)
            sides = set(specimens.loc[who, "side"])
            turn = scheme.symmetry == "matching" and sides == {"left", "right"}
            if turn:
                there, points = mirror(there), mirror(points)
            both = ~np.isnan(here).any(axis=1) & ~np.isnan(there).any(axis=1)
            if both.sum() < 5:
                continue
            template_mesh = scan_of(config, element, template, mirrored=turn)
            carried = carry_points(
                points, there[both], here[both], mesh, template_mesh=template_mesh
            )
            table = pd.DataFrame(carried.points, columns=["x", "y", "z"])
            table["specimen"], table["patch"] = specimen, patch.name
            table["number"] = np.arange(1, len(table) + 1)
            table["distance_mm"], table["flag"] = carried.distance, carried.flag
            tables.append(table)
    results.write_table(f"carried/{name}", tables)
