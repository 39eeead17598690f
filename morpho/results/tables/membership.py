"""Tables of the verdict: whether a query belongs to a known taxon."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    COMPARABLE_DISTANCE, GROUND, LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED, P_VALUE, RELATIVE_DISTANCE,
    SIZE_HEEDED,
    SPECIMEN, TAXON, TAXON_SPECIMENS, VERDICT, VERDICT_AS_IT_IS, WITHIN_ERROR,
)
from morpho.results.describing import Column, Table

__all__ = ["MEMBERSHIP"]

MEMBERSHIP: tuple[Table, ...] = (
    Table(
        "verdicts", "The verdict for each query.", "place",
        section="membership",
        paper="Verdict for each query. p: largest p-value against membership over the known taxa.",
        columns=(
            SPECIMEN, VERDICT, VERDICT_AS_IT_IS,
            Column("verdict_size_heeded", "at the query's own size", "text", head="at its own size"),
            GROUND,
            TAXON.here(meaning="taxon that the ground speaks of; of several that keep the query, the one with the largest p-value", head=""),
            Column("blocking", "taxa that keep the tests' rejections from being a verdict of outside: those whose spread is not known, or that are rejected beyond measured sizes only; separated by semicolons", "text"),
            Column("taxa_not_rejected", "taxa that keep the query: all whose test does not reject and that have specimens enough, nearest first by relative distance, separated by semicolons; at the query's own size where it is heeded, as it is where the ground is `size_hides`; blank where every test rejects. Their p-values and distances are in `membership`. No proof that it belongs to any of them", "text", head="taxa not rejected, nearest first"),
            Column("nearest_taxon", "taxon that is nearest by comparable distance, size heeded where possible", "text", head="nearest taxon"),
            LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED,
            Column("beyond_sizes_of", "taxa of which the query is smaller or larger than every known specimen", "text"),
            Column("imputations", "draws of the estimated points that the verdict was made again with"),
            Column("imputations_outside", "how many of them gave outside"),
            Column("imputations_inside", "how many of them gave inside"),
            Column("imputations_undecided", "how many of them gave undecided"),
            WITHIN_ERROR.here(meaning="whether the distance to the nearest taxon is no larger than that between two digitisations of one bone; False where that is not known", head=""),
            Column("strangeness", "smallest relative distance over taxa and both ways; blank where it was not judged"),
            Column("known_as_strange", "known specimens that, left out, were as strange"),
            Column("known_ranked", "known specimens that could be left out"),
            Column("by_ranks", "whether p-values are ranks among these; else, of fewer, those of a normal variable for log distances", "flag"),
        ),
    ),
    Table(
        "grounds", "The two decisions on each query, as it is and at its own size, of which the verdict is made.", "place",
        columns=(
            SPECIMEN, SIZE_HEEDED, VERDICT,
            GROUND.here(meaning="what the decision rests on, as a key word"),
            TAXON.here(meaning="taxon that the ground speaks of"),
            P_VALUE.here(meaning="of the test of that taxon"),
        ),
    ),
    Table(
        "grounds_by_taxon", "The taxa that each of the two decisions rests on.", "place",
        columns=(
            SPECIMEN, SIZE_HEEDED, TAXON,
            Column("bearing", "keeps: its test does not reject, and it has specimens enough; nearest first by relative distance. blocks: it keeps the tests' rejections from being a decision of outside, as the ground in `grounds` says", "text"),
        ),
    ),
    Table(
        "membership", "Each query against each known taxon: the evidence behind the verdict.", "place",
        section="membership", page="The evidence, taxon by taxon",
        paper=(
            "Evidence for and against each query in each known taxon. Relative distance: by the "
            "mean one of the taxon's own specimens, each left out. p against: its rank among "
            "those of the known specimens."
        ),
        columns=(
            SPECIMEN, SIZE_HEEDED, TAXON, TAXON_SPECIMENS,
            Column("procrustes_distance", "Procrustes distance, in tangent space, from the query to the shape predicted for the taxon", head="Procrustes distance"),
            COMPARABLE_DISTANCE,
            Column("mahalanobis_distance", "the comparable distance in standard deviations within taxa, by the shrunken covariance", head="Mahalanobis distance"),
            Column("landmark_distance", "the comparable distance landmark by landmark, each in its own standard deviation within taxa, averaged in the sixth power", head="distance by landmarks", only="page"),
            RELATIVE_DISTANCE,
            Column("critical_distance", "relative distance beyond which the test of the taxon rejects", head="rejects beyond", only="page"),
            P_VALUE.here(meaning="against membership: share of the known specimens, the query among them, that are as strange when left out; of a taxon with specimens enough, also of its own, and the larger counts", head="p against"),
            Column("posterior_probability", "of each taxon, were it certain that the query belongs to one of them; on the axes of shape space; no measure of fit", head="posterior (apart)", only="page"),
            Column("beyond_sizes", "whether the query is smaller or larger than every known specimen of the taxon", "flag"),
            WITHIN_ERROR.here(only="page"),
        ),
    ),
    Table(
        "spread", "How far known specimens lie from their own taxa.", "place",
        columns=(
            SPECIMEN, SIZE_HEEDED, TAXON, COMPARABLE_DISTANCE,
            RELATIVE_DISTANCE.here(meaning="from its own taxon, when it is left out, by the mean one of the taxon's other specimens"),
            Column("strangeness", "smallest relative distance over taxa and both ways, when it is left out: what queries are ranked among"),
        ),
    ),
)
