"""From tidy rows to bones: one set of landmarks and curves a specimen, replicates averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.shape.replicates import average_replicates
from morpho.shape.semilandmarks.curves import resample, resample_between
from morpho.study.landmarks.reading import DIGITISATION
from morpho.study.scheme.points import Layout
from morpho.study.scheme.reading import Curve, Scheme

__all__ = ["Bones", "average_bones", "digitisation_arrays", "points_of"]

Array = NDArray[np.float64]

# Points that a digitised curve is carried by for each semilandmark: close enough
# together that the polyline through them is the curve.
_DENSE = 10


@dataclass(frozen=True)
class Bones:
    """Landmarks and curves of the specimens of an element, in mm, each as its scan lies."""

    specimens: list[str]  # sorted
    digitisations: NDArray[np.int_]  # number of replicates averaged
    landmarks: Array  # in the order of the scheme; NaN where missing
    # curves with their end landmarks; NaN as a whole where not digitised or an end is missing
    polylines: dict[str, Array]


def digitisation_arrays(rows: pd.DataFrame, names: Sequence[str]) -> tuple[pd.DataFrame, Array]:
    """Specimen, replicate and observer of every digitisation, sorted, and its named points."""
    wide = rows[rows["landmark"].isin(names)].pivot(
        index=list(DIGITISATION), columns="landmark", values=["x", "y", "z"]
    )
    wide = wide.sort_index()
    order = pd.MultiIndex.from_product([["x", "y", "z"], names])
    flat = wide.reindex(columns=order).to_numpy(dtype=float)
    return wide.index.to_frame(index=False), flat.reshape(len(wide), 3, -1).transpose(0, 2, 1)


def _curve_points(rows: pd.DataFrame, curve: Curve) -> dict[tuple, Array]:
    """Points of a curve in each digitisation, in the order of their numbers."""
    names = rows["landmark"].str.extract(rf"^{curve.name}\.(\d+)$")[0]
    chosen = rows[names.notna()].assign(number=names.dropna().astype(int))
    chosen = chosen.sort_values("number")
    return {
        tuple(key) if isinstance(key, tuple) else (key,): part[["x", "y", "z"]].to_numpy(float)
        for key, part in chosen.groupby(list(DIGITISATION), sort=False)
    }


def average_bones(rows: pd.DataFrame, scheme: Scheme, *, curves: bool = True) -> Bones:
    """Average the digitisations of each specimen, landmarks and curves alike."""
    keys, X = digitisation_arrays(rows, scheme.landmark_names)
    place = {name: i for i, name in enumerate(scheme.landmark_names)}
    chosen, none = scheme.curves if curves else (), np.empty((0, 3))
    parts = [X]
    for curve in chosen:
        found = _curve_points(rows, curve)
        start, end = place[curve.start], place[curve.end]
        count = _DENSE * (curve.semilandmarks + 1) - 1
        lines = [
            resample_between(found.get(tuple(key), none), x[start], x[end], count)
            for key, x in zip(keys.to_numpy(), X, strict=True)
        ]
        parts.append(np.stack(lines))
    everything = np.concatenate(parts, axis=1)
    specimens, counts = np.unique(keys["specimen"].to_numpy(dtype=str), return_counts=True)
    means = np.stack(
        [
            average_replicates(everything[(keys["specimen"] == name).to_numpy()])
            for name in specimens
        ]
    )
    ends_of_parts = np.cumsum([part.shape[1] for part in parts])
    landmarks, *inner, _ = np.split(means, ends_of_parts, axis=1)
    polylines = {}
    for curve, points in zip(chosen, inner, strict=True):
        ends = [landmarks[:, [place[name]]] for name in (curve.start, curve.end)]
        line = np.concatenate([ends[0], points, ends[1]], axis=1)
        line[np.isnan(line).any(axis=(1, 2))] = np.nan
        polylines[curve.name] = line
    return Bones(specimens.tolist(), counts, landmarks, polylines)


def points_of(bones: Bones, layout: Layout) -> Array:
    """Landmarks and equally spaced semilandmarks of the curves; NaN where missing."""
    X = np.full((len(bones.specimens), len(layout.names), 3), np.nan)
    X[:, : bones.landmarks.shape[1]] = bones.landmarks
    for name, points in layout.curves.items():
        for i, line in enumerate(bones.polylines[name]):
            if not np.isnan(line).any():
                X[i, points[1:-1]] = resample(line, len(points) - 2)
    return X
