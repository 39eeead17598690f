"""Which tables go into the paper, and how they are made of those of the results."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

__all__ = ["MAIN_TABLES", "MainTable", "differential_diagnosis", "sample_counts"]

Tables = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class MainTable:
    """Which columns of a table go into the paper, and under which heading.

    Attributes
    ----------
    table : str
        Name of the table.
    caption : str
    headings : mapping of str to str
        Headings by column; no two alike.
    make : callable, optional
        Makes the table out of the tables of an element, where it is none of them.
    """

    table: str
    caption: str
    headings: Mapping[str, str]
    make: Callable[[Tables], pd.DataFrame] | None = None


def sample_counts(tables: Tables) -> pd.DataFrame:
    """How many specimens of each taxon were digitised, and how many take part.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        With `specimens`.

    Returns
    -------
    DataFrame
        Columns `taxon` (a dash for queries without one), `role`, `digitised`, `used`; known
        taxa first.
    """
    table = tables["specimens"]
    table = table.assign(taxon=table["taxon"].mask(table["role"] == "query", "–"))
    rows = [
        {"taxon": taxon, "role": role, "digitised": len(part), "used": int(part["used"].sum())}
        for (role, taxon), part in table.groupby(["role", "taxon"], sort=True)
    ]
    return pd.DataFrame(rows, columns=["taxon", "role", "digitised", "used"])


_ANOVA = {
    "source": "source", "degrees_of_freedom": "df", "sum_of_squares": "sum of squares",
    "mean_square": "mean square", "f_ratio": "F", "p_value": "p",
}  # fmt: skip
_TERMS = {
    "term": "term", "degrees_of_freedom": "df", "sum_of_squares": "sum of squares",
    "share_of_variance": "share of variance", "f_ratio": "F", "effect_size": "effect size",
    "p_value": "p",
}  # fmt: skip
# Distances of the differential diagnosis.
_DISTANCES = 10
_DIAGNOSIS = [
    "specimen", "measurement", "unit", "taxon", "specimens", "minimum", "maximum", "mean",
    "standard_deviation", "value",
]  # fmt: skip


def _ranked(tables: Tables, specimen: str) -> list[str]:
    """The distances that set a query apart best, at its own size where that can be heeded."""
    table = tables["measurement_ranking"]
    table = table[(table["specimen"] == specimen) & (table["kind"] == "distance")]
    table = table[table["size_heeded"] == bool(table["size_heeded"].any())]
    return table.sort_values("rank", kind="stable")["measurement"].head(_DISTANCES).tolist()


def differential_diagnosis(tables: Tables) -> pd.DataFrame:
    """Measurements of each taxon with the value of each query beside them.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        With `measurement_summary`, `measurement_ranking` and `measurements`.

    Returns
    -------
    DataFrame
        For each query that was compared, the measurements named in the scheme (in whose names
        there is no blank) and the ten distances that rank first as measured, a row for each
        taxon: `specimen`, `measurement`, `unit`, `taxon`, `specimens`, `minimum`, `maximum`,
        `mean`, `standard_deviation` and `value`, that of the query. Where no query was compared,
        the named measurements alone.
    """
    if not {"measurement_summary", "measurement_ranking", "measurements"} <= set(tables):
        return pd.DataFrame(columns=_DIAGNOSIS)
    summary, values = tables["measurement_summary"], tables["measurements"]
    if summary.empty:
        return pd.DataFrame(columns=_DIAGNOSIS)
    own = [str(m) for m in dict.fromkeys(summary["measurement"]) if " " not in str(m)]
    parts = []
    for specimen in dict.fromkeys(tables["measurement_ranking"]["specimen"]) or ["–"]:
        names = dict.fromkeys([*own, *_ranked(tables, specimen)])
        part = summary[summary["measurement"].isin(list(names))].copy()
        order = {name: place for place, name in enumerate(names)}
        part = part.assign(specimen=specimen).sort_values(
            "measurement", key=lambda column: column.map(order), kind="stable"
        )
        mine = values[(values["specimen"] == specimen) & (values["role"] == "query")]
        part["value"] = part["measurement"].map(mine.set_index("measurement")["value"])
        parts.append(part[_DIAGNOSIS])
    return pd.concat(parts, ignore_index=True)


def _from_nearest(table: str, columns: Sequence[str]) -> Callable[[Tables], pd.DataFrame]:
    """Rows on each query beside its nearest taxon, at its own size where there are any."""

    def make(tables: Tables) -> pd.DataFrame:
        given = tables.get(table)
        if given is None or given.empty:
            return pd.DataFrame(columns=list(columns))
        nearest = tables["verdicts"].set_index("specimen")["nearest_taxon"]
        part = given[given["taxon"] == given["specimen"].map(nearest)]
        heeded = part.groupby("specimen")["size_heeded"].transform("any")
        part = part[part["size_heeded"] == heeded]
        return part[(part["kind"] == "landmark") & part["counted"]] if "kind" in part else part

    return make


_MOVED = {
    "specimen": "query",
    "taxon": "from",
    "size_heeded": "size heeded",
    "landmark": "landmark",
    "other_side": "and its mirror image",
    "direction": "direction",
    "displacement_mm": "mm",
    "in_taxon_sd": "times the usual",
    "p_value_false_discovery": "adjusted p",
    "rank_p_value": "rank p",
    "resistant_displacement_mm": "mm, resistant fit",
    "resistant_in_taxon_sd": "times the usual, resistant fit",
    "fits_differ": "fits differ",
    "estimated": "estimated",
}
_CARRIED = {
    "specimen": "query",
    "taxon": "from",
    "size_heeded": "size heeded",
    "region": "region",
    "points": "points",
    "root_mean_square_mm": "mm",
    "share_of_displacement": "share",
    "share_expected": "share expected",
    "share_p_value_false_discovery": "adjusted p of the share",
    "distance_p_value_false_discovery": "adjusted p of the distance",
}

# In the order in which they are numbered. A table that a study does not have, or that is
# empty, is left out; a new table joins by an entry here.
MAIN_TABLES: tuple[MainTable, ...] = (
    MainTable(
        "sample",
        "Specimens digitised and specimens used.",
        {"taxon": "taxon", "role": "role", "digitised": "digitised", "used": "used"},
        sample_counts,
    ),
    MainTable(
        "verdicts",
        "Verdict for each query. p: largest p-value against membership over the known taxa.",
        {
            "specimen": "query",
            "verdict": "verdict",
            "verdict_as_it_is": "as it is",
            "p_value_as_it_is": "p as it is",
            "verdict_size_heeded": "at its own size",
            "p_value_size_heeded": "p at its own size",
            "nearest_taxon": "nearest taxon",
            "taxa_not_rejected": "taxa not rejected, nearest first",
        },
    ),
    MainTable(
        "membership",
        "Evidence for and against each query in each known taxon. p against: twice the smaller of "
        "typicality probability and pooled rank p-value.",
        {
            "specimen": "query",
            "size_heeded": "size heeded",
            "taxon": "taxon",
            "taxon_specimens": "n",
            "procrustes_distance": "Procrustes distance",
            "mahalanobis_distance": "Mahalanobis distance",
            "typicality_probability": "typicality probability",
            "rank_p_value": "rank p",
            "pooled_rank_p_value": "pooled rank p",
            "p_value": "p against",
        },
    ),
    MainTable(
        "conclusions",
        "Conclusion on each query: its verdict, tempered by screening, calibration and stability.",
        {
            "specimen": "query",
            "verdict": "conclusion",
            "verdict_before": "verdict",
            "tempered_by": "tempered by",
            "false_alarms": "false alarms",
            "left_out_specimens": "of specimens",
            "noticed": "noticed",
            "left_out_members": "of members",
            "settings_hold": "holds in",
            "settings": "of settings",
        },
    ),
    MainTable(
        "calibration_summary",
        "The procedure on this sample's own specimens: one specimen left out (false alarms) or a "
        "whole taxon (members noticed, a result for that taxon), with exact 95 % intervals.",
        {
            "left_out": "left out",
            "taxon": "taxon",
            "specimens": "n",
            "outside": "outside",
            "inside": "inside",
            "undecided": "undecided",
            "share_outside": "share outside",
            "interval_low": "from",
            "interval_high": "to",
        },
    ),
    MainTable(
        "stability_summary",
        "How often the verdict holds under other choices.",
        {
            "specimen": "query",
            "choice": "choice",
            "settings": "settings",
            "holds": "holds in",
            "share_holds": "share",
        },
    ),
    MainTable(
        "trajectories",
        "Each query against the growth line of each taxon at its own size.",
        {
            "specimen": "query",
            "taxon": "taxon",
            "growth_line": "growth line",
            "taxon_specimens": "n",
            "sizes_beyond": "size beyond",
            "distance": "distance",
            "members_as_far": "members as far",
            "p_value": "p against",
        },
    ),
    MainTable(
        "individuals",
        "Each query by all its elements together.",
        {
            "specimen": "query",
            "elements": "elements",
            "verdict": "verdict",
            "verdicts_of_elements": "by element",
            "taxon": "taxon with the largest p",
            "combined_p_value": "combined p",
        },
    ),
    MainTable(
        "proportions",
        "Relative sizes of elements: ratio of centroid sizes, first by second, of each query "
        "beside the range and geometric mean of each taxon; its difference from that mean in "
        "standard deviations of the taxon is positive where the query's ratio is larger.",
        {
            "specimen": "query",
            "first": "first",
            "second": "second",
            "query_ratio": "ratio",
            "taxon": "taxon",
            "taxon_specimens": "n",
            "ratio_minimum": "minimum",
            "ratio_maximum": "maximum",
            "ratio_mean": "mean",
            "standardised_difference": "difference in standard deviations",
            "p_value_false_discovery": "adjusted p",
            "outside_range": "outside",
        },
    ),
    MainTable(
        "differential_diagnosis",
        "Measurements as taken: those named in the scheme, and the ten distances that rank first "
        "in setting each query apart, at its own size where that can be heeded; which of them pass "
        "the adjustment for their number is told in the results.",
        {
            "specimen": "query",
            "measurement": "measurement",
            "unit": "unit",
            "value": "query's value",
            "taxon": "taxon",
            "specimens": "n",
            "minimum": "minimum",
            "maximum": "maximum",
            "mean": "mean",
            "standard_deviation": "standard deviation",
        },
        differential_diagnosis,
    ),
    MainTable(
        "displacements",
        "Displacement of each landmark of a query from where its nearest taxon has it, at the "
        "query's size, in mm and as a multiple of the usual displacement of members (root mean "
        "square within taxa), by least squares and by a resistant fit; adjusted p: Hotelling's T2, "
        "false discoveries held over landmarks, two mirror images counted as one.",
        _MOVED,
        _from_nearest("displacements", list(_MOVED)),
    ),
    MainTable(
        "region_displacements",
        "Share of each named region in the squared displacement of a query, beside its share of "
        "the variation within taxa.",
        _CARRIED,
        _from_nearest("region_displacements", list(_CARRIED)),
    ),
    MainTable(
        "meshes",
        "Warped and coloured surfaces.",
        {
            "file": "file",
            "form": "form",
            "template": "template",
            "faces": "faces",
            "share_folded": "share folded",
            "watertight": "closed",
            "volume_mm3": "volume (mm³)",
            "remark": "remark",
        },
    ),
    MainTable(
        "model_terms",
        "Linear model of shape, each term after those before it.",
        _TERMS,
    ),
    MainTable(
        "slopes",
        "Test of one growth line for all taxa (the last term before the residual).",
        _TERMS,
    ),
    MainTable(
        "group_criteria",
        "Multivariate criteria of differences between the known taxa on the axes retained.",
        {
            "size_heeded": "size heeded",
            "criterion": "criterion",
            "value": "value",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    MainTable(
        "pairwise_distances",
        "Procrustes distances between mean shapes of the known taxa, with p-values adjusted for "
        "their number by Holm's rule.",
        {
            "size_heeded": "size heeded",
            "first": "taxon",
            "second": "and taxon",
            "first_specimens": "n of the first",
            "second_specimens": "n of the second",
            "distance": "distance",
            "p_value": "p",
            "p_value_holm": "p after Holm",
        },
    ),
    MainTable(
        "accuracy",
        "Known specimens put in a taxon by models in which they had no part.",
        {
            "size_heeded": "size heeded",
            "specimens": "specimens",
            "correct": "correct",
            "share_correct": "share",
            "chance_corrected": "kappa",
        },
    ),
    MainTable(
        "digitising_error",
        "Digitising error: Procrustes analysis of variance of replicates.",
        _ANOVA,
    ),
    MainTable(
        "asymmetry",
        "Sides of the bone: Procrustes analysis of variance.",
        _ANOVA,
    ),
)
