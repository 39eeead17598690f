"""Vary: the verdict under every other choice that could have been made."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.robustness.reanalysis import Material
from morpho.inference.robustness.stability import (
    ALL_SUSPECTS,
    Doubts,
    digitised_again,
    stability_summary,
    vary,
)
from morpho.results.store import ElementResults
from morpho.shape.checks import ShapeError
from morpho.shape.estimation.estimator import LandmarkEstimator
from morpho.steps.judge.material import material_of, rules_of
from morpho.steps.progress import told_in_tenths
from morpho.steps.show.superimposed import estimated_points
from morpho.steps.streams import generator

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _without(
    material: Material,
    missing: NDArray[np.bool_],
    left_out: NDArray[np.intp],
    estimator: LandmarkEstimator,
) -> Material | None:
    """The material without some specimens; what was missing is estimated from the others."""
    X, known = material.coordinates, material.known.copy()
    known[left_out] = False
    if missing.any():
        complete = known & ~missing.any(axis=1)
        try:
            X = estimator.fit(X[complete]).transform(np.where(missing[..., None], np.nan, X))
        except ShapeError:  # too few are complete
            return None
    rest = np.delete(np.arange(len(known)), left_out)
    return material.at(np.arange(len(X)), X).of(rest)


def _suspected(
    config: StudyConfig, results: ElementResults, names: NDArray[Any], material: Material
) -> dict[str, Any]:
    """Known specimens with suspected digitisations left out, and suspected points of queries."""
    given, found = results.arrays("configurations"), results.table("suspicions")
    missing = estimated_points(results, given)
    partners = given["partners"]
    estimator = LandmarkEstimator(
        method=config.settings.preparation.missing.method,
        partners=partners if (partners != np.arange(len(partners))).any() else None,
    )
    by_name = np.isin(names, found["specimen"].to_numpy(dtype=str))
    suspects = np.flatnonzero(by_name & material.known)
    settings = {str(names[i]): np.array([i]) for i in suspects}
    if len(suspects) > 1:
        settings[ALL_SUSPECTS] = suspects
    points = given["point"].tolist()
    own: dict[int, NDArray[np.intp]] = {}
    for place in np.flatnonzero(by_name & ~material.known).tolist():
        marks = found.loc[found["specimen"] == names[place], "landmarks"]
        told = {mark for text in marks for mark in str(text).split(";")}
        at = [i for i, point in enumerate(points) if point in told]
        if at:
            own[place] = np.array(at)
    return {
        "without": {
            setting: _without(material, missing, who, estimator)
            for setting, who in settings.items()
        },
        "own_landmarks": own,
    }


def _doubts(
    config: StudyConfig,
    element: str,
    results: ElementResults,
    names: NDArray[Any],
    material: Material,
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
    count = config.settings.robustness.error_draws
    again = np.empty((0, 0, 0, 3))
    if count and material.error_mm is not None and (~material.known).any():
        again = digitised_again(
            material.coordinates[~material.known],
            material.error_mm[~material.known],
            count,
            generator(config.settings.seed, element, "vary", "error"),
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
        **_suspected(config, results, names, material),
    )


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the verdict under each other choice, and how often it holds."""
    names, material = material_of(results)
    rules = rules_of(config, element, results)
    doubts = _doubts(config, element, results, names, material)
    progress = told_in_tenths(f"vary {element}")
    table = vary(material, names, rules, doubts, progress=progress)
    results.write_table("stability", table)
    results.write_table("stability_summary", stability_summary(table))
