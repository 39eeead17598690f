"""Tables of shape space: how shapes vary."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    AXIS, CENTROID_SIZE_MM, KIND_OF_POINT, LANDMARK, LOG_CENTROID_SIZE, ROLE, SHARE_OF_VARIANCE,
    SPECIMEN, TAXON, X, Y, Z,
)
from morpho.results.describing import Column, Table

__all__ = ["SPACE"]

SPACE: tuple[Table, ...] = (
    Table(
        "configurations", "Superimposed configurations.", "superimpose",
        columns=(
            SPECIMEN, LANDMARK, X, Y, Z,
        ),
    ),
    Table(
        "mean_shape", "Mean shape of the known specimens.", "superimpose",
        columns=(
            LANDMARK, KIND_OF_POINT, X, Y, Z,
        ),
    ),
    Table(
        "centroid_size", "Sizes, from the landmarks used.", "superimpose",
        columns=(
            SPECIMEN, TAXON, ROLE, CENTROID_SIZE_MM, LOG_CENTROID_SIZE,
        ),
    ),
    Table(
        "shape_scores", "Scores on the axes of shape space, which come from the known specimens only.", "ordinate",
        columns=(
            SPECIMEN, TAXON, ROLE,
            Column("axis_*", "score on that axis, in Procrustes distance"),
        ),
    ),
    Table(
        "variance_per_axis", "Variance of the known specimens along each axis.", "ordinate",
        columns=(
            AXIS,
            Column("variance", "variance of the scores"),
            SHARE_OF_VARIANCE,
            Column("cumulative_share", "share of variance up to this axis"),
            Column("share_expected", "share that the rule for keeping axes asks for; blank for the rule share"),
            Column("retained", "whether the multivariate tests use the axis", "flag"),
        ),
    ),
    Table(
        "axis_shapes", "Shapes at both ends of the first axes.", "ordinate",
        columns=(
            AXIS,
            Column("end", "low or high: lowest or highest score of a known specimen", "text"),
            Column("score", "the score"),
            LANDMARK, X, Y, Z,
        ),
    ),
)
