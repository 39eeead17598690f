"""Tables of the verdict: whether a query belongs to a known taxon."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    COMPARABLE_DISTANCE, GROUND, LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED, P_VALUE, SIZE_HEEDED,
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
            Column("blocking", "taxa that keep the tests' rejections from being a verdict of outside: those whose members contradict, whose spread is not known, or that are rejected beyond measured sizes only; separated by semicolons", "text"),
            Column("taxa_not_rejected", "taxa that keep the query: all whose test does not reject and that have specimens enough, nearest first by comparable distance, separated by semicolons; at the query's own size where it is heeded, as it is where the ground is `size_hides`; blank where every test rejects. Their p-values and distances are in `membership`. No proof that it belongs to any of them", "text", head="taxa not rejected, nearest first"),
            Column("nearest_taxon", "taxon that is nearest by comparable distance, size heeded where possible", "text", head="nearest taxon"),
            LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED,
            Column("beyond_sizes_of", "taxa of which the query is smaller or larger than every known specimen", "text"),
            Column("imputations", "draws of the estimated points that the verdict was made again with"),
            Column("imputations_outside", "how many of them gave outside"),
            Column("imputations_inside", "how many of them gave inside"),
            Column("imputations_undecided", "how many of them gave undecided"),
            WITHIN_ERROR.here(meaning="whether the distance to the nearest taxon is no larger than that between two digitisations of one bone; False where that is not known", head=""),
            Column("beyond_all_members", "whether the query lies further out than every member of each taxon, both ways; False where it was not judged", "flag"),
            Column("ranking_rejects", "whether its rank among all known specimens rejects by itself for each taxon, both ways; False where it was not judged", "flag"),
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
            Column("bearing", "keeps: its test does not reject, and it has specimens enough; nearest first by comparable distance. blocks: it keeps the tests' rejections from being a decision of outside, as the ground in `grounds` says", "text"),
            Column("rank_p_value", "where the taxon's own members contradict: the rank of the query among them; blank where that does not contradict"),
            Column("own_spread_p_value", "where they do: the p-value by the spread of that taxon alone; blank where that does not contradict"),
        ),
    ),
    Table(
        "membership", "Each query against each known taxon: the evidence behind the verdict.", "place",
        section="membership", page="The evidence, taxon by taxon",
        paper=(
            "Evidence for and against each query in each known taxon. p against: twice the "
            "smaller of typicality probability and pooled rank p-value."
        ),
        columns=(
            SPECIMEN, SIZE_HEEDED, TAXON, TAXON_SPECIMENS,
            Column("procrustes_distance", "from the query to the shape predicted for the taxon", head="Procrustes distance"),
            COMPARABLE_DISTANCE,
            Column("mahalanobis_distance", "the distance on the axes within taxa, found with the query as a member, in standard deviations within taxa", head="Mahalanobis distance"),
            Column("typicality_probability", "how often a member of the taxon would lie at least as far out on these axes, by the F distribution", head="typicality probability"),
            Column("rank_p_value", "share of the taxon, the query among them, that lies as far out by Procrustes distance", head="rank p"),
            Column("axes_rank_p_value", "the same by Mahalanobis distance on the axes within taxa", head="rank p on the axes", only="page"),
            Column("rank_floor", "smallest value of both that the taxon's number allows", head="their floor", only="page"),
            Column("own_spread_p_value", "how often a member would lie at least as far out by the spread of that taxon alone; blank for a taxon of one", head="own-spread p", only="page"),
            Column("pooled_rank_p_value", "share of all known specimens and the query that lie as far from their own taxa", head="pooled rank p"),
            Column("pooled_rank_floor", "smallest value that the number of known specimens allows", head="its floor", only="page"),
            P_VALUE.here(meaning="against membership: twice the smaller of typicality probability and pooled rank p-value, at most 1", head="p against"),
            Column("posterior_probability", "of each taxon, were it certain that the query belongs to one of them; on the axes of shape space; no measure of fit", head="posterior (apart)", only="page"),
            Column("beyond_sizes", "whether the query is smaller or larger than every known specimen of the taxon", "flag"),
            WITHIN_ERROR.here(only="page"),
        ),
    ),
    Table(
        "spread", "How far known specimens lie from their own taxa.", "place",
        columns=(
            SPECIMEN, SIZE_HEEDED, TAXON, COMPARABLE_DISTANCE,
        ),
    ),
)
