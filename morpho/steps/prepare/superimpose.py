"""Superimpose: known specimens make the frame, queries are fitted to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.results.rows import tidy
from morpho.results.store import ElementResults
from morpho.shape.orientation import anatomical_frame
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.symmetry.sides import symmetric_component
from morpho.shape.tangent import TangentSpace
from morpho.study.scheme.reading import Scheme, read_scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _frame(
    scheme: Scheme, mean: np.ndarray, landmarks: list[str]
) -> tuple[np.ndarray, list[str], list[str]]:
    """Rotation to the scheme's anatomical axes, and what each axis points towards and away from."""
    x, y, z = (scheme.axes.get(key) for key in "xyz")
    named = [axis for axis in (x, y) if axis is not None and axis.start and axis.end]
    ends = [name for axis in named for name in (axis.start, axis.end)]
    if x is None or y is None or z is None or not set(ends) <= set(landmarks):
        return np.eye(3), ["axis 1", "axis 2", "axis 3"], []
    start, end, foot, head = (mean[landmarks.index(str(name))] for name in ends)
    frame = anatomical_frame(mean, end - start, head - foot)
    towards = [axis.towards for axis in (x, y, z)]
    away = [axis.other_way for axis in (x, y, z)]
    if {z.start, z.end} <= set(landmarks):
        near, far = (mean[landmarks.index(str(name))] for name in (z.start, z.end))
        if (far - near) @ frame[:, 2] < 0:
            towards[2], away[2] = away[2] or f"away from {towards[2]}", towards[2]
    return frame, towards, away


def _before_and_after(
    results: ElementResults, given: dict, model: GeneralizedProcrustes, frame: np.ndarray
) -> list[pd.DataFrame]:
    """Bones that were made symmetric, before and after, superimposed on the mean."""
    prepared = results.arrays("prepared")
    points = prepared["point"].tolist()
    same = points == given["point"].tolist()
    tables = []
    for i in np.flatnonzero(prepared["undistorted"]) if same else ():
        before, after = prepared["distorted"][i], given["coordinates"][i]
        if np.isnan(before).any():
            continue
        shapes = model.transform(np.stack([before, after])) @ frame
        for when, shape in zip(("before", "after"), shapes, strict=True):
            tables.append(tidy(shape[None], [str(given["specimen"][i])], points).assign(when=when))
    return tables


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write superimposed configurations, tangent coordinates and sizes."""
    given = results.arrays("configurations")
    X, known, draws = given["coordinates"], given["known"], given["draws"]
    points = given["point"].tolist()
    size = centroid_size(X)
    draw_size = np.array([centroid_size(draw) for draw in draws]).reshape(draws.shape[:2])
    scheme = read_scheme(config.scheme_path(element), element)
    symmetric = scheme.symmetry == "object" and config.settings.preparation.symmetry == "symmetric"
    if symmetric:
        X = symmetric_component(X, given["partners"])
        if draws.size:
            draws = np.stack([symmetric_component(draw, given["partners"]) for draw in draws])
    model = GeneralizedProcrustes().fit(X[known])
    frame, towards, away = _frame(scheme, model.mean_, points)
    aligned, mean = model.transform(X) @ frame, model.mean_ @ frame
    space = TangentSpace(pole=mean).fit(aligned)
    flat = aligned.reshape(len(aligned), -1).shape[1]
    draw_tangent = np.empty((len(draws), len(given["incomplete"]), flat))
    for j, draw in enumerate(draws if draws.size else ()):
        draw_tangent[j] = space.transform(model.transform(draw) @ frame)
    results.write_arrays(
        "superimposed",
        coordinates=X,
        tangent=space.transform(aligned),
        mean=mean,
        log_size=np.log(size),
        draw_tangent=draw_tangent,
        draw_log_size=np.log(draw_size),
        **{
            key: given[key] for key in ("specimen", "taxon", "known", "point", "kind", "incomplete")
        },
    )
    specimens = given["specimen"].tolist()
    results.write_table("configurations", tidy(aligned, specimens, points))
    results.write_table("distortion_shapes", _before_and_after(results, given, model, frame))
    shape = tidy(mean[None], ["mean"], points).drop(columns="specimen")
    shape.insert(1, "kind", given["kind"])
    results.write_table("mean_shape", shape)
    results.write_table(
        "centroid_size",
        {
            "specimen": specimens,
            "taxon": given["taxon"],
            "role": np.where(known, "known", "query"),
            "centroid_size_mm": size,
            "log_centroid_size": np.log(size),
        },
    )
    results.write_notes(
        "superimpose",
        {
            "passes": model.n_iterations_,
            "converged": model.converged_,
            "towards": towards,
            "away": away,
            "symmetric": symmetric,
        },
    )
