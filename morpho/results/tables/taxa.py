"""Tables of the known taxa: whether they differ."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    EFFECT_SIZE, P_VALUE, PERMUTATIONS, ROLE, SIZE_HEEDED, SPECIMEN, TAXON, WITHIN_ERROR,
)
from morpho.results.describing import Column, Table

__all__ = ["TAXA"]

TAXA: tuple[Table, ...] = (
    Table(
        "group_criteria", "Multivariate differences between the known taxa on the axes retained.", "compare",
        section="groups", page="Multivariate criteria on the axes retained",
        paper="Multivariate criteria of differences between the known taxa on the axes retained.",
        columns=(
            SIZE_HEEDED,
            Column("term", "term tested", "text"),
            Column("criterion", "Wilks, Pillai, Hotelling-Lawley or Roy (largest eigenvalue)", "text", head="criterion"),
            Column("value", "value of the criterion", head="value"),
            EFFECT_SIZE, P_VALUE, PERMUTATIONS,
        ),
    ),
    Table(
        "pairwise_distances", "Distances between the mean shapes of known taxa.", "compare",
        section="groups", page="Distances between mean shapes",
        paper=(
            "Procrustes distances between mean shapes of the known taxa, with p-values adjusted"
            " for their number by Holm's rule."
        ),
        columns=(
            SIZE_HEEDED,
            Column("first", "one taxon", "text", head="taxon"),
            Column("second", "the other taxon", "text", head="and taxon"),
            Column("first_specimens", "specimens of the first", head="n of the first", only="paper"),
            Column("second_specimens", "specimens of the second", head="n of the second", only="paper"),
            Column("distance", "Procrustes distance (angle) between the mean shapes", head="Procrustes distance"),
            P_VALUE,
            Column("p_value_holm", "p-value adjusted for the number of pairs by Holm's rule", head="p after Holm"),
            PERMUTATIONS, WITHIN_ERROR.here(only="page"),
        ),
    ),
    Table(
        "disparity", "How widely the shapes of each known taxon spread about its mean.", "compare",
        section="groups", page="How widely each taxon spreads",
        paper="Procrustes variance of each known taxon, held against that of all others together.",
        columns=(
            SIZE_HEEDED, TAXON,
            Column("specimens", "its specimens", head="n"),
            Column("procrustes_variance", "mean squared Procrustes distance of its specimens from its mean (at one size: from the growth line), the degrees of freedom below", head="Procrustes variance"),
            Column("times_that_of_others", "the same by that of all other taxa together; blank where these do not vary", head="times that of the others"),
            P_VALUE.here(meaning="that the taxon spreads as the others do, from permutations of the distances"),
            Column("p_value_holm", "p-value adjusted for the number of taxa by Holm's rule", head="p after Holm"),
            PERMUTATIONS,
        ),
    ),
    Table(
        "canonical_scores", "Scores on the canonical axes of the known taxa.", "discriminate",
        columns=(
            SIZE_HEEDED, SPECIMEN, TAXON, ROLE,
            Column("kind", "fitted: the specimen helped to find the axes; left out: it did not", "text"),
            Column("canonical_1", "first canonical score, in standard deviations within taxa"),
            Column("canonical_2", "second canonical score, likewise"),
        ),
    ),
    Table(
        "canonical_axes", "How much each canonical axis separates.", "discriminate",
        columns=(
            SIZE_HEEDED,
            Column("canonical_axis", "number of the canonical axis"),
            Column("between_by_within", "variation between by variation within taxa"),
            Column("share_between_taxa", "its share of the sum over axes"),
        ),
    ),
    Table(
        "accuracy", "How often that was right.", "discriminate",
        section="groups", page="Known specimens put in a taxon by models without them",
        paper="Known specimens put in a taxon by models in which they had no part.",
        columns=(
            SIZE_HEEDED,
            Column("specimens", "known specimens classified", head="specimens"),
            Column("correct", "how many came to their own taxon", head="correct"),
            Column("share_correct", "their share", head="share"),
            Column("chance_corrected", "Cohen's kappa: 0 as good as chance, 1 without fault", head="above chance (kappa)"),
        ),
    ),
    Table(
        "confusion", "Where known specimens were put by models in which they had no part.", "discriminate",
        section="groups", page="Where they were put",
        columns=(
            SIZE_HEEDED, TAXON,
            Column("assigned_to", "taxon that they were put in", "text", head="put in"),
            Column("specimens", "how many", head="specimens"),
        ),
    ),
)
