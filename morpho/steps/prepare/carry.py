"""Carry: the points of the patches, from the template to the scan of one specimen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.store import ElementResults
from morpho.shape.semilandmarks.curves import resample
from morpho.shape.surfaces.patches import carry_points
from morpho.shape.symmetry.sides import mirror
from morpho.steps.prepare.averaged import Bones, average_bones
from morpho.steps.prepare.template import template_of
from morpho.study.element import read_element
from morpho.study.reading.paths import safe_name
from morpho.study.scans.reading import read_scan
from morpho.study.scheme.reading import Scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]


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
            template = template_of(patch, rows, scheme, known)
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
