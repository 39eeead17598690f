"""Tables shown on the page: their section, title, and columns under plain headings."""

from __future__ import annotations

__all__ = ["MESH_COLUMNS", "SHOWN", "SHOWN_JOINED", "SHOWN_QUERY", "query_words"]

SHOWN: dict[str, tuple[str, str, dict[str, str]]] = {
    "digitising_error": (
        "data",
        "Digitising error: Procrustes ANOVA of replicates",
        {
            "source": "source",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "mean_square": "mean square",
            "f_ratio": "F",
            "p_value": "p",
        },
    ),
    "asymmetry": (
        "data",
        "Sides: Procrustes ANOVA",
        {
            "source": "source",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "mean_square": "mean square",
            "f_ratio": "F",
            "p_value": "p",
        },
    ),
    "recovery": (
        "data",
        "Hide and seek: how well hidden landmarks are found",
        {
            "landmark": "landmark",
            "estimated_by": "estimated by",
            "error_mm": "error (mm)",
            "error_in_spread": "error, times the usual displacement within taxa",
            "coverage": "coverage (0.9 expected)",
        },
    ),
    "membership": (
        "membership",
        "The evidence, taxon by taxon",
        {
            "specimen": "query",
            "size_heeded": "size heeded",
            "taxon": "taxon",
            "taxon_specimens": "n",
            "procrustes_distance": "Procrustes distance",
            "mahalanobis_distance": "Mahalanobis distance",
            "typicality_probability": "typicality probability",
            "rank_p_value": "rank p",
            "axes_rank_p_value": "rank p on the axes",
            "rank_floor": "their floor",
            "own_spread_p_value": "own-spread p",
            "pooled_rank_p_value": "pooled rank p",
            "pooled_rank_floor": "its floor",
            "p_value": "p against",
            "within_error": "within digitising error",
            "posterior_probability": "posterior (apart)",
        },
    ),
    "model_terms": (
        "growth",
        "Linear model of shape, terms in order",
        {
            "term": "term",
            "degrees_of_freedom": "degrees of freedom",
            "sum_of_squares": "sum of squares",
            "share_of_variance": "share of variance",
            "f_ratio": "F",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "slopes": (
        "growth",
        "Do taxa share one growth line? (last term before the residual)",
        {
            "term": "term",
            "degrees_of_freedom": "degrees of freedom",
            "share_of_variance": "share of variance",
            "f_ratio": "F",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "trajectories": (
        "growth",
        "Queries against growth lines",
        {
            "specimen": "query",
            "taxon": "taxon",
            "growth_line": "growth line",
            "taxon_specimens": "n",
            "distance": "distance from the line",
            "members_as_far": "members as far",
            "members_largest_distance": "farthest member",
            "sizes_beyond": "beyond measured sizes (share of range)",
            "p_value": "p against",
            "stage": "stage",
            "same_stage_specimens": "members of that stage",
        },
    ),
    "calibration_summary": (
        "sure",
        "Calibration: known specimens judged by the rest",
        {
            "left_out": "left out",
            "taxon": "taxon",
            "specimens": "n",
            "outside": "outside",
            "inside": "inside",
            "undecided": "undecided",
            "share_outside": "share outside",
            "interval_low": "from",
            "interval_high": "to (exact 95 %)",
            "own_taxon_rejects": "rejected by own taxon's test",
        },
    ),
    "stability_summary": (
        "sure",
        "Stability: how often the verdict holds",
        {
            "specimen": "query",
            "choice": "kind of choice",
            "settings": "settings",
            "holds": "holds",
            "outside": "outside",
            "inside": "inside",
            "undecided": "undecided",
            "turning_settings": "settings that turn it",
        },
    ),
    "adequacy": (
        "sure",
        "What each taxon's number of specimens allows",
        {
            "taxon": "taxon",
            "specimens": "n",
            "rank_floor": "smallest rank p within the taxon",
            "specimens_for_rank": "n for it to reach the level",
            "mean_error": "error of the mean shape",
            "nearest_distance": "distance to the nearest taxon's mean",
        },
    ),
    "group_criteria": (
        "groups",
        "Multivariate criteria on the axes retained",
        {
            "size_heeded": "size heeded",
            "criterion": "criterion",
            "value": "value",
            "effect_size": "effect size",
            "p_value": "p",
        },
    ),
    "pairwise_distances": (
        "groups",
        "Distances between mean shapes",
        {
            "size_heeded": "size heeded",
            "first": "taxon",
            "second": "and taxon",
            "distance": "Procrustes distance",
            "p_value": "p",
            "p_value_holm": "p after Holm",
            "within_error": "within digitising error",
        },
    ),
    "accuracy": (
        "groups",
        "Known specimens put in a taxon by models without them",
        {
            "size_heeded": "size heeded",
            "specimens": "specimens",
            "correct": "correct",
            "share_correct": "share",
            "chance_corrected": "above chance (kappa)",
        },
    ),
    "confusion": (
        "groups",
        "Where they were put",
        {
            "size_heeded": "size heeded",
            "taxon": "taxon",
            "assigned_to": "put in",
            "specimens": "specimens",
        },
    ),
}

SHOWN_JOINED: dict[str, tuple[str, dict[str, str]]] = {
    "individual_evidence": (
        "Elements of one individual side by side",
        {
            "specimen": "query",
            "taxon": "taxon",
            "element": "element",
            "p_value_as_it_is": "p as it is",
            "p_value_size_heeded": "p at its own size",
            "combined_p_value": "combined p",
        },
    ),
    "proportions": (
        "Relative sizes of elements within individuals (ratios of centroid sizes)",
        {
            "specimen": "query",
            "first": "element",
            "second": "by element",
            "taxon": "taxon",
            "taxon_specimens": "n",
            "ratio_minimum": "smallest",
            "ratio_mean": "mean",
            "ratio_maximum": "largest",
            "query_ratio": "query",
            "standardised_difference": "difference in the taxon's standard deviations",
            "p_value": "p",
            "outside_range": "outside the range",
        },
    ),
}

# Of a single query: title, rows at most, and columns, in which
# {way} stands for how its size is heeded.
SHOWN_QUERY: dict[str, tuple[str, int, dict[str, str]]] = {
    "displacements": (
        "Displacement of each landmark",
        40,
        {
            "landmark": "landmark",
            "other_side": "and its mirror image",
            "definition": "definition",
            "direction": "direction",
            "displacement_mm": "mm in all",
            "in_taxon_sd": "times the usual displacement within taxa",
            "p_value_false_discovery": "p after false-discovery control",
            "resistant_displacement_mm": "mm by the resistant fit",
            "fits_differ": "fits differ",
            "estimated": "estimated",
        },
    ),
    "region_displacements": (
        "Regions",
        20,
        {
            "region": "region",
            "points": "points",
            "root_mean_square_mm": "displacement (mm)",
            "share_of_displacement": "share of the difference",
            "share_expected": "share expected",
            "share_p_value_false_discovery": "p of the share",
            "distance_p_value_false_discovery": "p of the distance",
        },
    ),
    "measurement_ranking": (
        "Distances in the order in which they set it apart",
        20,
        {
            "rank": "rank",
            "measurement": "distance",
            "other_side": "and its mirror image",
            "value": "query (mm, as measured)",
            "outside_every_taxon": "outside every range {way}",
            "nearest_taxon": "nearest taxon {way}",
            "nearest_mean": "its mean (mm) {way}",
            "direction": "the query is",
            "difference": "by (mm)",
            "difference_percent": "by (%)",
            "standardised_difference": "in standard deviations of that taxon",
            "p_value_false_discovery": "p after false-discovery control",
        },
    ),
}

MESH_COLUMNS = {
    "form": "surface",
    "faces": "faces",
    "watertight": "closed for printing",
    "volume_mm3": "volume (mm³)",
    "remark": "remark",
}


def query_words(name: str, size_heeded: bool, nothing: str = "") -> tuple[str, dict[str, str]]:
    """Title and headings of a table on a single query, which say at which size it compares.

    Parameters
    ----------
    name : str
        A table of `SHOWN_QUERY`.
    size_heeded : bool
        Whether its rows compare the query at its own size.
    nothing : str
        That nothing in it passes the adjustment for the number of tests; blank where it does.

    Returns
    -------
    title : str
    columns : dict of str to str
        Headings by column.
    """
    title, _, columns = SHOWN_QUERY[name]
    way = "at its own size" if size_heeded else "as it is"
    return f"{title}, {way}{f': {nothing}' if nothing else ''}", {
        key: head.format(way=way) for key, head in columns.items()
    }
