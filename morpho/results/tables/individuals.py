"""Tables that join the elements of each individual."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    P_VALUE, ROLE, SPECIMEN, TAXON,
)
from morpho.results.describing import Column, Table

__all__ = ["INDIVIDUALS"]

FIRST = Column("first", "one element", "text", head="element")
SECOND = Column("second", "the other element", "text", head="by element")

INDIVIDUALS: tuple[Table, ...] = (
    Table(
        "individuals", "Each query by all its elements together.", "combine",
        section="together", paper="Each query by all its elements together.", per="study",
        columns=(
            SPECIMEN,
            Column("elements", "elements judged; 0 where none could be", head="elements"),
            Column("verdict", "all elements together: outside, inside or undecided", "text", head="verdict"),
            Column("verdicts_of_elements", "the conclusion by each", "text", head="by element"),
            TAXON.here(meaning="taxon with the largest combined p-value", head="taxon with the largest p"),
            Column("combined_p_value", "its combined p-value", head="combined p"),
        ),
    ),
    Table(
        "individual_evidence", "Evidence of the elements of each query side by side.", "combine",
        section="together", page="Elements of one individual side by side", per="study",
        columns=(
            SPECIMEN, TAXON,
            Column("element", "element", "text", head="element"),
            Column("p_value_as_it_is", "against the taxon, without regard to size", head="p as it is"),
            Column("p_value_size_heeded", "against the taxon, at the query's own size", head="p at its own size"),
            P_VALUE.here(meaning="the larger of the two: both must reject", head=""),
            Column("combined_p_value", "the smaller of two: the smallest p-value of the elements times their number (Bonferroni), and the largest; without elements whose verdict was taken back for suspected digitisations, if others are left", head="combined p"),
            Column("kept", "whether no element that counts rejects the taxon", "flag"),
            Column("doubted", "whether the element does not count beside the others, as its verdict hangs on suspected digitisations", "flag"),
        ),
    ),
    Table(
        "proportion_values", "Ratios of centroid sizes of elements, individual by individual.", "combine",
        per="study",
        columns=(
            SPECIMEN, TAXON, ROLE, FIRST, SECOND,
            Column("ratio", "centroid size of the first by that of the second"),
        ),
    ),
    Table(
        "proportions", "Relative sizes of elements within individuals: each query beside each taxon.", "combine",
        section="together",
        page="Relative sizes of elements within individuals (ratios of centroid sizes)",
        paper=(
            "Relative sizes of elements: ratio of centroid sizes, one element by the other, of each "
            "query beside the range and geometric mean of each taxon; its difference from that "
            "mean in standard deviations of the taxon is positive where the query's ratio is "
            "larger."
        ),
        per="study",
        columns=(
            SPECIMEN, FIRST, SECOND, TAXON,
            Column("taxon_specimens", "known individuals with both elements", head="n"),
            Column("ratio_minimum", "smallest ratio of centroid sizes, first by second, among them", head="minimum"),
            Column("ratio_maximum", "largest", head="maximum"),
            Column("ratio_mean", "geometric mean", head="mean"),
            Column("query_ratio", "the query's ratio", head="query's ratio"),
            Column("standardised_difference", "difference of the query's log ratio from the taxon's mean in the taxon's standard deviations, positive where the query's ratio is larger, corrected for small samples", head="difference in standard deviations"),
            P_VALUE.here(meaning="how often a new individual of the taxon would differ as much, by Student's t", only="page"),
            Column("p_value_false_discovery", "the same, adjusted for the number of pairs of elements (Benjamini and Hochberg)", head="adjusted p", only="paper"),
            Column("outside_range", "whether the query's ratio lies outside the taxon's range; blank where the query or all of the taxon lack an element", "maybe", head="outside the range"),
        ),
    ),
)
