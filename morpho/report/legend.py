"""What each table holds, column by column: the source of the results' README."""

from __future__ import annotations

from morpho.report.legend_differences import DIFFERENCES
from morpho.report.legend_trials import JOINED, TRIALS

__all__ = ["COLUMNS", "JOINED", "TABLES", "legend_text"]

# Columns that mean the same wherever they stand.
COLUMNS = {
    "specimen": "name of the specimen; where a table says otherwise see there",
    "taxon": "taxon of a known specimen; in tests, the taxon that a query is held against; where a table says otherwise see there",
    "role": "known or query",
    "landmark": "name in the scheme",
    "x": "first coordinate: in the anatomical frame of the scheme, configurations of unit centroid size; in `estimated_points`, `carried_points` and `displacements` see there",
    "y": "second coordinate, likewise",
    "z": "third coordinate, likewise",
    "size_heeded": "False: shapes as they are; True: at one size, by growth lines (one for all taxa, or some of their own); where a table says otherwise see there",
    "p_value": "share of permutations at least as extreme, the observed order among them; where a table says otherwise see there",
    "permutations": "number of permutations behind the p-value; all orders where they are few",
    "effect_size": "distance of the statistic from its permutations, in their standard deviations, on the log scale",
    "axis": "number of the axis of shape space",
    "centroid_size_mm": "square root of the summed squared distances of the landmarks used from their centroid, in mm",
    "log_centroid_size": "natural logarithm of the centroid size in mm",
    "degrees_of_freedom": "degrees of freedom",
    "share_of_variance": "share of the total variance or sum of squares, from 0 to 1",
    "comparable_distance": "Procrustes distance from what the other specimens predict, made comparable between taxa of different size",
    "extrapolates": "whether the size lies beyond those of the known specimens",
    "within_error": "whether the distance is no larger than that between two digitisations of one bone; False where that is not known; in `verdicts` see there",
}

TABLES: dict[str, tuple[str, dict[str, str]]] = {
    "suspicions": (
        "Digitisations that look wrong, with what would mend them. Nothing was changed.",
        {
            "replicate": "label of the digitisation",
            "observer": "who digitised",
            "kind": "swapped, mirror, size, displaced or unusual",
            "landmarks": "landmarks it is about, separated by semicolons",
            "distance_before": "distance from the taxon, in usual deviations; for size, of log size",
            "distance_after": "the same once the slip were mended",
            "threshold": "distance beyond which a digitisation is looked at",
            "side": "for mirror: side that the specimen table gives, of which it is the mirror image; blank where it gives none",
            "true_names": "for swapped: what these landmarks should probably be called, in their order; blank where left and right are exchanged throughout",
            "deviations": "for displaced: how far each of the landmarks lies off, in its usual deviations, in their order",
            "times_usual": "for unusual: distance from the taxon as a multiple of the usual one; for size: centroid size as a multiple of the taxon's median",
            "factor": "for size: factor near by that a unit or a shifted decimal mark would explain; blank where there is none",
        },
    ),
    "digitising_error": (
        "Procrustes ANOVA of replicates: differences between specimens against those between digitisations.",
        {
            "source": "specimen, observer, observer by specimen, error, total",
            "sum_of_squares": "sum of squared Procrustes distances",
            "mean_square": "sum of squares by degrees of freedom",
            "f_ratio": "mean square by that of the error",
        },
    ),
    "landmark_error": (
        "Digitising error of each landmark.",
        {
            "error_mm": "root mean square distance of a digitisation from the true place",
            "share_of_within_taxon_variance": "the part of the variance of single digitisations within taxa that is error",
            "observer_difference_mm": "distance between the observers' mean placings; the largest where there are more than two",
        },
    ),
    "asymmetry": (
        "Procrustes ANOVA of the sides of a bone with a plane of symmetry; empty for other bones.",
        {
            "source": "individual; side, directional asymmetry; individual by side, fluctuating asymmetry; error; total",
            "sum_of_squares": "sum of squared Procrustes distances",
            "mean_square": "sum of squares by degrees of freedom",
            "f_ratio": "mean square by that it is tested against",
        },
    ),
    "distortion": (
        "Bones made symmetric because they were squashed or sheared in the ground.",
        {
            "shear": "about the tangent of the angle by which the bone leaned",
            "asymmetry_before": "distance of landmarks from the symmetric bone, as a share of their distance from the centroid",
            "asymmetry_sheared": "the same once the shear was taken out; the rest is averaged away",
            "procrustes_distance": "Procrustes distance between the bone before and after",
        },
    ),
    "distortion_shapes": (
        "The same bones before and after, superimposed on the mean; those with missing points are left out.",
        {"when": "before or after"},
    ),
    "estimated_points": (
        "Every point that was missing and is estimated.",
        {
            "point": "landmark, or semilandmark as curve.number or patch.number",
            "kind": "landmark, curve or patch",
            "estimated_by": "mirror side, or other specimens",
            "cause": "missing: the landmark itself; no_scan_point: it was not found on a scan; no_curve: its curve is not digitised; no_curve_end: an end of its curve is missing",
            "missing_ends": "ends of its curve that are missing, separated by semicolons",
            "x": "estimate, in mm, as the scan lies (mirrored where the specimen was)",
            "y": "likewise",
            "z": "likewise",
            "spread_mm": "standard deviation of the draws of the estimate",
        },
    ),
    "recovery": (
        "Hide and seek: how well known landmarks are found when they are hidden.",
        {
            "estimated_by": "mirror side, regression or spline",
            "error_mm": "root mean square distance of the estimate from the true place",
            "error_in_spread": "the same by the landmark's usual displacement within taxa (root mean square); at 1 the mean of the taxon would do as well",
            "coverage": "share of true places within the region that should hold 0.9 of them",
        },
    ),
    "carried_points": (
        "Points of patches carried from the template to each scan.",
        {
            "patch": "name of the patch",
            "number": "number of the point",
            "x": "in mm, as the scan lies",
            "y": "likewise",
            "z": "likewise",
            "distance_mm": "how far projection to the scan moved the point",
            "flag": "why the point is not used: far: from the surface; edge: at an edge of the scan; other_side: on the other side; blank if it is",
        },
    ),
    "sliding": (
        "How the semilandmarks came to rest.",
        {
            "pass": "number of the pass; 0 before sliding",
            "change": "root mean square move of the specimens, as a share of centroid size",
            "minimised": "bending energy or squared Procrustes distance, as chosen; mean over specimens",
        },
    ),
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
            "set_aside": "why it takes no part: too_little: a smaller share of its landmarks is left than study.yaml asks for; missing_points: set aside for missing points; blank where it takes part",
            "missing_points": "points that it is set aside for, separated by spaces; blank where it is not set aside for missing points",
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
    "mean_shape": (
        "Mean shape of the known specimens.",
        {"kind": "landmark, curve or patch"},
    ),
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
            "f_ratio": "mean square by that of the residual of the model up to this term",
        },
    ),
    "slopes": (
        "Do taxa share one growth line? The last term is tested: a small p speaks against it.",
        {
            "term": "term of the model; size by taxon is the difference between slopes",
            "sum_of_squares": "sum of squared Procrustes distances",
            "mean_square": "sum of squares by degrees of freedom",
            "f_ratio": "mean square by that of the residual of the model up to this term",
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
            "mahalanobis_distance": "the distance on the axes within taxa, found with the query as a member, in standard deviations within taxa",
            "typicality_probability": "how often a member of the taxon would lie at least as far out on these axes, by the F distribution",
            "rank_p_value": "share of the taxon, the query among them, that lies as far out by Procrustes distance",
            "axes_rank_p_value": "the same by Mahalanobis distance on the axes within taxa",
            "rank_floor": "smallest value of both that the taxon's number allows",
            "own_spread_p_value": "how often a member would lie at least as far out by the spread of that taxon alone; blank for a taxon of one",
            "pooled_rank_p_value": "share of all known specimens and the query that lie as far from their own taxa",
            "pooled_rank_floor": "smallest value that the number of known specimens allows",
            "p_value": "against membership: twice the smaller of typicality probability and pooled rank p-value, at most 1",
            "posterior_probability": "of each taxon, were it certain that the query belongs to one of them; on the axes of shape space; no measure of fit",
            "beyond_sizes": "whether the query is smaller or larger than every known specimen of the taxon",
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
            "taxon": "taxon that the ground speaks of; of several that keep the query, the one with the largest p-value",
            "taxa_not_rejected": "taxa that keep the query: all whose test does not reject and that have specimens enough, nearest first by comparable distance, separated by semicolons; at the query's own size where it is heeded, as it is where the ground is `size_hides`; blank where every test rejects. Their p-values and distances are in `membership`. No proof that it belongs to any of them",
            "blocking": "taxa that keep the tests' rejections from being a verdict of outside: those whose members contradict, whose spread is not known, or that are rejected beyond measured sizes only; separated by semicolons",
            "nearest_taxon": "taxon that is nearest by comparable distance, size heeded where possible",
            "imputations": "draws of the estimated points that the verdict was made again with",
            "imputations_outside": "how many of them gave outside",
            "imputations_inside": "how many of them gave inside",
            "imputations_undecided": "how many of them gave undecided",
            "within_error": "whether the distance to the nearest taxon is no larger than that between two digitisations of one bone; False where that is not known",
            "beyond_all_members": "whether the query lies further out than every member of each taxon, both ways; False where it was not judged",
            "ranking_rejects": "whether its rank among all known specimens rejects by itself for each taxon, both ways; False where it was not judged",
            "beyond_sizes_of": "taxa of which the query is smaller or larger than every known specimen",
            "p_value_as_it_is": "largest p-value over the taxa, without regard to size",
            "p_value_size_heeded": "largest p-value over the taxa, at the query's own size",
        },
    ),
    "grounds": (
        "The two decisions on each query, as it is and at its own size, of which the verdict is made.",
        {
            "verdict": "outside, inside or undecided",
            "ground": "what the decision rests on, as a key word",
            "taxon": "taxon that the ground speaks of",
            "p_value": "of the test of that taxon",
        },
    ),
    "grounds_by_taxon": (
        "The taxa that each of the two decisions rests on.",
        {
            "bearing": "keeps: its test does not reject, and it has specimens enough; nearest first by comparable distance. blocks: it keeps the tests' rejections from being a decision of outside, as the ground in `grounds` says",
            "rank_p_value": "where the taxon's own members contradict: the rank of the query among them; blank where that does not contradict",
            "own_spread_p_value": "where they do: the p-value by the spread of that taxon alone; blank where that does not contradict",
        },
    ),
    **TRIALS,
    **DIFFERENCES,
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
        "- `all-elements/tables/`: what is joined from all elements.",
        "- `logs/`, `benchmarks/`: what each step said, and the time and memory it took.",
        "",
        "## Tables",
        "",
        "Columns that mean the same in every table:",
        "",
        *[f"- `{name}`: {meaning}" for name, meaning in COLUMNS.items()],
    ]
    for name, (meaning, columns) in (TABLES | JOINED).items():
        place = "all-elements/tables/" if name in JOINED else ""
        lines += ["", f"### {place}{name}.csv", "", meaning]
        if columns:
            lines += ["", *[f"- `{column}`: {words}" for column, words in columns.items()]]
    return "\n".join(lines) + "\n"
