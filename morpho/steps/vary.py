"""Vary: the verdict under every other choice that could have been made."""

from __future__ import annotations

import numpy as np

from morpho.inference.reanalysis import Material
from morpho.inference.stability import Doubts, digitised_again, stability_summary, vary
from morpho.steps.files import ElementResults, generator
from morpho.steps.judged import material_of, rules_of
from morpho.steps.progress import told_in_tenths
from morpho.study.config import StudyConfig

__all__ = ["run"]


def _doubts(
    config: StudyConfig, element: str, results: ElementResults, material: Material
) -> Doubts:
    """What else the bones may have looked like, from the results of earlier steps."""
    given, prepared = results.arrays("configurations"), results.arrays("prepared")
    points, kinds = given["point"].tolist(), given["kind"].tolist()
    landmarks: dict[str, int] = {}
    groups: dict[str, list[int]] = {}
    for i, (name, kind) in enumerate(zip(points, kinds, strict=True)):
        if kind == "landmark":
            landmarks[name] = i
        else:
            groups.setdefault(name.rpartition(".")[0], []).append(i)
    error = results.table("landmark_error").set_index("landmark")["error_mm"]
    count = config.settings["robustness"]["error_draws"]
    again = np.empty((0, 0, 0, 3))
    if count and error.notna().any() and (~material.known).any():
        again = digitised_again(
            material.coordinates[~material.known],
            error.reindex(points).to_numpy(),
            count,
            generator(config.settings["seed"], element, "vary", "error"),
        )
    distorted = {}
    if prepared["point"].tolist() == points:
        for row in np.flatnonzero(prepared["undistorted"]).tolist():
            if not np.isnan(prepared["distorted"][row]).any():
                distorted[row] = prepared["distorted"][row]
    return Doubts(
        {name: np.array(places) for name, places in groups.items()},
        landmarks,
        given["draws"],
        given["incomplete"],
        again,
        distorted,
    )


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the verdict under each other choice, and how often it holds."""
    names, material = material_of(results)
    rules = rules_of(config, element, results)
    doubts = _doubts(config, element, results, material)
    progress = told_in_tenths(f"vary {element}")
    table = vary(material, names, rules, doubts, progress=progress)
    results.write_table("stability", table)
    results.write_table("stability_summary", stability_summary(table))
