"""Tables of growth: what size explains, and whether a query is only a growth stage."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    DEGREES_OF_FREEDOM, EFFECT_SIZE, EXTRAPOLATES, LOG_CENTROID_SIZE, MEAN_SQUARE, P_VALUE,
    PERMUTATIONS, ROLE, SHARE_OF_VARIANCE, SPECIMEN, SUM_OF_SQUARES, TAXON, TAXON_SPECIMENS,
)
from morpho.results.describing import Column, Table

__all__ = ["GROWTH"]

F_RATIO = Column("f_ratio", "mean square by that of the residual of the model up to this term", head="F")
# of each term
ANALYSED = (
    DEGREES_OF_FREEDOM, SUM_OF_SQUARES, MEAN_SQUARE.here(head=""), SHARE_OF_VARIANCE, F_RATIO,
    EFFECT_SIZE, P_VALUE, PERMUTATIONS,
)

GROWTH: tuple[Table, ...] = (
    Table(
        "model_terms", "The linear model of shape: each term after those before it.", "grow",
        section="growth", page="Linear model of shape, terms in order",
        paper="Linear model of shape, each term after those before it.",
        columns=(
            Column("term", "term of the model, in the order tested; then residual and total", "text", head="term"),
            *ANALYSED,
        ),
    ),
    Table(
        "slopes", "Do taxa share one growth line? The last term is tested: a small p speaks against it.", "grow",
        section="growth", page="Do taxa share one growth line? (last term before the residual)",
        paper="Test of one growth line for all taxa (the last term before the residual).",
        columns=(
            Column("term", "term of the model; size by taxon is the difference between slopes", "text", head="term"),
            *ANALYSED,
        ),
    ),
    Table(
        "growth", "Where each specimen stands along growth.", "grow",
        columns=(
            SPECIMEN, TAXON, ROLE, LOG_CENTROID_SIZE,
            Column("regression_score", "shape along the common slope within taxa, in Procrustes distance"),
            EXTRAPOLATES,
        ),
    ),
    Table(
        "trajectories", "Only a juvenile? Each query against the growth line of each taxon at its own size.", "place",
        section="growth", page="Queries against growth lines",
        paper="Each query against the growth line of each taxon at its own size.",
        columns=(
            SPECIMEN, TAXON,
            Column("growth_line", "own: the taxon has a slope of its own; shared: it shares one with others", "text", head="growth line"),
            TAXON_SPECIMENS, LOG_CENTROID_SIZE,
            Column("smallest_log_size", "smallest log centroid size among them"),
            Column("largest_log_size", "largest"),
            Column("sizes_beyond", "how far the query's log size lies beyond these, as a share of their range; 0 among them", head="beyond measured sizes (share of range)"),
            Column("distance", "comparable distance of the query from the line", head="distance from the line"),
            Column("members_as_far", "members that lie as far from the line that the others draw", head="members as far"),
            Column("members_median_distance", "median of the members' distances"),
            Column("members_largest_distance", "largest of them", head="farthest member", only="page"),
            P_VALUE.here(meaning="against membership, at the query's own size; as in `membership`, and no test by itself, as the verdict needs both ways", head="p against"),
            Column("stage", "growth stage of the query as given", "text", head="stage", only="page"),
            Column("same_stage_specimens", "members of the same stage", head="members of that stage", only="page"),
            Column("same_stage_as_far", "those of them that lie as far out"),
        ),
    ),
)
