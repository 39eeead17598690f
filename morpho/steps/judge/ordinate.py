"""Ordinate: the shape space of the known specimens, with the queries placed in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from morpho.inference.models.ordination import ShapeSpace, most_axes
from morpho.results.rows import tidy
from morpho.results.store import ElementResults
from morpho.shape.tangent import TangentSpace
from morpho.steps.streams import seed_of

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

# Axes whose end shapes are written and drawn.
_DRAWN = 2


def _end_shapes(space: ShapeSpace, scores: np.ndarray, given: dict) -> pd.DataFrame:
    """Shapes at the lowest and highest score of known specimens on the first axes."""
    tangent = TangentSpace(pole=given["mean"]).fit(given["mean"][None])
    tables = []
    for axis in range(min(_DRAWN, scores.shape[1])):
        ends = {"low": scores[:, axis].min(), "high": scores[:, axis].max()}
        for end, score in ends.items():
            at = np.zeros((1, axis + 1))
            at[0, axis] = score
            shape = tangent.inverse_transform(space.inverse_transform(at))
            table = tidy(shape, [end], given["point"]).rename(columns={"specimen": "end"})
            table.insert(0, "axis", axis + 1)
            table.insert(2, "score", score)
            tables.append(table)
    return pd.concat(tables)


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write scores, variance of each axis, and shapes at the ends of the first axes."""
    given = results.arrays("superimposed")
    known, settings = given["known"], config.settings.shape_space
    taxa = np.unique(given["taxon"][known])
    space = ShapeSpace(
        axes=settings.axes,
        share=settings.share,
        most=most_axes(int(known.sum()), len(taxa), settings.most),
        random_state=seed_of(config.settings.seed, element, "ordinate"),
    ).fit(given["tangent"][known])
    scores = space.transform(given["tangent"])
    kept = space.n_axes_
    results.write_arrays(
        "shape_space", scores=scores[:, :kept], components=space.components_[:kept]
    )

    shown = min(scores.shape[1], max(kept, 10))
    table = pd.DataFrame(scores[:, :shown], columns=[f"axis_{i + 1}" for i in range(shown)])
    table.insert(0, "role", np.where(known, "known", "query"))
    table.insert(0, "taxon", given["taxon"])
    table.insert(0, "specimen", given["specimen"])
    results.write_table("shape_scores", table)
    results.write_table(
        "variance_per_axis",
        {
            "axis": np.arange(1, len(space.variance_) + 1),
            "variance": space.variance_,
            "share_of_variance": space.share_of_variance_,
            "cumulative_share": np.cumsum(space.share_of_variance_),
            "share_expected": space.threshold_,
            "retained": np.arange(len(space.variance_)) < kept,
        },
    )
    results.write_table("axis_shapes", _end_shapes(space, scores[known], given))
    results.write_notes(
        "ordinate",
        {
            "axes_retained": kept,
            "rule": settings.axes,
            "share": float(space.share_of_variance_[:kept].sum()),
        },
    )
