"""Superimposed bones as later steps read them: shapes, and which of their points are estimates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.results.store import ElementResults

__all__ = ["estimated_points", "superimposed_shapes"]


def superimposed_shapes(placed: Mapping[str, NDArray[Any]]) -> NDArray[np.float64]:
    """Shapes of all specimens in the anatomical frame, at unit centroid size."""
    mean = placed["mean"]
    return placed["tangent"].reshape(-1, *mean.shape) + mean


def estimated_points(
    results: ElementResults, given: Mapping[str, NDArray[Any]]
) -> NDArray[np.bool_]:
    """Which points of which specimens were missing and are estimated."""
    names, points = given["specimen"].tolist(), given["point"].tolist()
    mask = np.zeros((len(names), len(points)), dtype=bool)
    for row in results.table("estimated_points").to_dict("records"):
        mask[names.index(row["specimen"]), points.index(row["point"])] = True
    return mask
