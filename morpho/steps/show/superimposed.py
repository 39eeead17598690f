"""Superimposed bones as later steps read them: shapes, and which of their points are estimates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.results.rows import rows_on
from morpho.results.store import ElementResults

__all__ = ["Goal", "estimated_points", "goals", "superimposed_shapes"]


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


@dataclass(frozen=True)
class Goal:
    """What a judged query is held against: its nearest taxon, at its own size if possible."""

    specimen: str
    taxon: str
    size_heeded: bool
    shape: NDArray[np.float64]  # at the query's size, in mm
    off: NDArray[np.bool_]  # points that lie off by more than members may


def goals(results: ElementResults, points: list[str], alpha: float) -> Iterator[Goal]:
    """The goal of each query that was judged, from the table of displacements."""
    moved, verdicts = results.table("displacements"), results.table("verdicts")
    judged = verdicts[verdicts["nearest_taxon"] != ""]
    for specimen, taxon in zip(judged["specimen"], judged["nearest_taxon"], strict=True):
        part = rows_on(moved, specimen, taxon).set_index("landmark")
        if len(part):
            shape = part.loc[points, ["x", "y", "z"]].to_numpy(dtype=float)
            off = (part.loc[points, "p_value_false_discovery"] <= alpha).to_numpy()
            yield Goal(specimen, taxon, bool(part["size_heeded"].any()), shape, off)
