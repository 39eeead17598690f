"""What each table holds, column by column: the source of the results' README."""

from __future__ import annotations

__all__ = ["COLUMNS", "TABLES", "legend_text"]

# Columns that mean the same wherever they stand.
COLUMNS = {
    "specimen": "name of the specimen",
    "taxon": "taxon of a known specimen; in tests, the taxon that a query is held against",
    "role": "known or query",
    "landmark": "name in the scheme",
    "x": "first coordinate: in the anatomical frame of the scheme, configurations of unit centroid size",
    "y": "second coordinate, likewise",
    "z": "third coordinate, likewise",
    "size_heeded": "False: shapes as they are; True: at one size, by the growth line that all taxa share",
    "p_value": "share of permutations at least as extreme, the observed order among them; in `membership` see there",
    "permutations": "number of permutations behind the p-value; all orders where they are few",
    "effect_size": "distance of the statistic from its permutations, in their standard deviations, on the log scale",
    "axis": "number of the axis of shape space",
    "centroid_size_mm": "square root of the summed squared distances of the landmarks used from their centroid, in mm",
    "log_centroid_size": "natural logarithm of the centroid size in mm",
    "degrees_of_freedom": "degrees of freedom",
    "share_of_variance": "share of the total variance or sum of squares, from 0 to 1",
    "comparable_distance": "Procrustes distance from what the other specimens predict, made comparable between taxa of different size",
    "extrapolates": "whether the size lies beyond those of the known specimens",
    "reason": "why, in words; blank where there is nothing to say",
}

TABLES: dict[str, tuple[str, dict[str, str]]] = {
    "specimens": (
        "Every specimen digitised on the element, and what became of it.",
        {
            "side": "side of the bone; blank where it has none",
            "stage": "growth stage as given",
            "digitisations": "number of replicates averaged",
            "mirrored": "whether it was mirrored to the other side",
            "landmarks_present": "number of landmarks of the scheme that it has",
            "missing_landmarks": "names of the others, separated by spaces",
            "used": "whether it takes part",
        },
    ),
    "landmarks": (
        "The landmarks of the scheme.",
        {
            "type": "1 juxtaposition of tissues, 2 maximum of curvature, 3 extremal or constructed",
            "definition": "anatomical definition",
            "used": "whether all specimens that take part have it, so that it is analysed",
        },
    ),
    "configurations": ("Superimposed configurations.", {}),
    "mean_shape": ("Mean shape of the known specimens.", {}),
    "centroid_size": ("Sizes, from the landmarks used.", {}),
    "shape_scores": (
        "Scores on the axes of shape space, which come from the known specimens only.",
        {"axis_*": "score on that axis, in Procrustes distance"},
    ),
    "variance_per_axis": (
        "Variance of the known specimens along each axis.",
        {
            "variance": "variance of the scores",
            "cumulative_share": "share of variance up to this axis",
            "share_expected": "share that the rule for keeping axes asks for; blank for the rule share",
            "retained": "whether the multivariate tests use the axis",
        },
    ),
    "axis_shapes": (
        "Shapes at both ends of the first axes.",
        {
            "end": "low or high: lowest or highest score of a known specimen",
            "score": "the score",
        },
    ),
    "model_terms": (
        "The linear model of shape: each term after those before it.",
        {
            "term": "term of the model, in the order tested; then residual and total",
            "sum_of_squares": "sum of squared Procrustes distances",
            "mean_square": "sum of squares by degrees of freedom",
            "f_ratio": "mean square by that of the residual",
        },
    ),
    "slopes": (
        "Do taxa share one growth line? The last term says: a small p speaks against it.",
        {
            "term": "term of the model; size by taxon is the difference between slopes",
            "sum_of_squares": "sum of squared Procrustes distances",
            "mean_square": "sum of squares by degrees of freedom",
            "f_ratio": "mean square by that of the residual",
        },
    ),
    "growth": (
        "Where each specimen stands along growth.",
        {"regression_score": "shape along the common slope within taxa, in Procrustes distance"},
    ),
    "group_criteria": (
        "Multivariate differences between the known taxa on the axes retained.",
        {
            "term": "term tested",
            "criterion": "Wilks, Pillai, Hotelling-Lawley or Roy (largest eigenvalue)",
            "value": "value of the criterion",
        },
    ),
    "pairwise_distances": (
        "Distances between the mean shapes of known taxa.",
        {
            "first": "one taxon",
            "second": "the other taxon",
            "first_specimens": "specimens of the first",
            "second_specimens": "specimens of the second",
            "distance": "Procrustes distance between the means",
            "p_value_holm": "p-value adjusted for the number of pairs by Holm's rule",
        },
    ),
    "canonical_scores": (
        "Scores on the canonical axes of the known taxa.",
        {
            "kind": "fitted: the specimen helped to find the axes; left out: it did not",
            "canonical_1": "first canonical score, in standard deviations within taxa",
            "canonical_2": "second canonical score, likewise",
        },
    ),
    "canonical_axes": (
        "How much each canonical axis separates.",
        {
            "canonical_axis": "number of the canonical axis",
            "trace": "variation between by variation within taxa",
            "share_of_trace": "its share of the sum over axes",
        },
    ),
    "confusion": (
        "Where known specimens were put by models in which they had no part.",
        {
            "assigned_to": "taxon that they were put in",
            "specimens": "how many",
        },
    ),
    "accuracy": (
        "How often that was right.",
        {
            "specimens": "known specimens classified",
            "correct": "how many came to their own taxon",
            "share_correct": "their share",
            "chance_corrected": "Cohen's kappa: 0 as good as chance, 1 without fault",
        },
    ),
    "membership": (
        "Each query against each known taxon: the evidence behind the verdict.",
        {
            "taxon_specimens": "known specimens of the taxon",
            "procrustes_distance": "from the query to the shape predicted for the taxon",
            "mahalanobis_distance": "the distance on the axes retained, in standard deviations within taxa",
            "typicality_probability": "how often a member of the taxon would lie at least as far out, by the F distribution",
            "rank_p_value": "share of the taxon, the query among them, that lies as far out by Procrustes distance",
            "axes_rank_p_value": "the same by Mahalanobis distance on the axes retained",
            "rank_floor": "smallest value of both that the taxon's number allows",
            "pooled_rank_p_value": "share of all known specimens and the query that lie as far from their own taxa",
            "pooled_rank_floor": "smallest value that the number of known specimens allows",
            "p_value": "against membership: twice the smaller of typicality probability and pooled rank p-value, at most 1",
            "posterior_probability": "of each taxon, were it certain that the query belongs to one of them; no measure of fit",
        },
    ),
    "spread": ("How far known specimens lie from their own taxa.", {}),
    "verdicts": (
        "The verdict for each query.",
        {
            "verdict": "outside, inside or undecided",
            "verdict_as_it_is": "without regard to size",
            "verdict_size_heeded": "at the query's own size",
            "ground": "what the verdict rests on, as a key word",
            "taxon": "taxon that the ground speaks of",
            "nearest_taxon": "taxon with the nearest predicted shape, size heeded where possible",
            "p_value_as_it_is": "largest p-value over the taxa, without regard to size",
            "p_value_size_heeded": "largest p-value over the taxa, at the query's own size",
        },
    ),
}


def legend_text() -> str:
    """Text of the results' README, as Markdown."""
    lines = [
        "# Results",
        "",
        "Made by the workflow; everything here can be deleted and made again.",
        "",
        "- `report.html`: the report, one page that opens offline. Start there.",
        "- `check.csv`: what was noticed about the input: `severity`, `file`, `line`, `element`,",
        "  `specimen`, `landmark`, `found`, `remedy`.",
        "- `<element>/figures/`: each figure as SVG, PDF and PNG (300 dpi).",
        "- `<element>/tables/`: the tables below, CSV in UTF-8, a point as decimal mark.",
        "- `<element>/arrays/`, `<element>/notes/`: what one step leaves for the next.",
        "- `logs/`, `benchmarks/`: what each step said, and the time and memory it took.",
        "",
        "## Tables",
        "",
        "Columns that mean the same in every table:",
        "",
        *[f"- `{name}`: {meaning}" for name, meaning in COLUMNS.items()],
    ]
    for name, (meaning, columns) in TABLES.items():
        lines += ["", f"### {name}.csv", "", meaning]
        if columns:
            lines += ["", *[f"- `{column}`: {words}" for column, words in columns.items()]]
    return "\n".join(lines) + "\n"
