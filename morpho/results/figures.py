"""Every figure of the results: what it shows, how to read it, and what it is drawn from."""

from __future__ import annotations

from collections.abc import Mapping

from morpho.results.describing import Figure

__all__ = ["FIGURES"]

_BONES = {"outline": "notes:slide.outline", "towards": "notes:superimpose.towards"}
_ALPHA = {"alpha": "settings:tests.alpha"}
_EXAGGERATION = {"exaggeration": "settings:figures.exaggeration"}
_NO_QUERY = "no query takes part in the comparison"

# In the order of the page.
_ALL = (
    Figure(
        "landmark_error",
        "data",
        "How well can each landmark be placed?",
        "Discs on the mean bone and bars for the digitising error of each landmark in millimetres",
        "Error of one digitisation, from bones that were digitised more than once: root mean "
        "square distance from the true place. Left: size of the discs on the mean bone. Right: in "
        "mm, with the share of the variance within taxa that is error. A landmark with a large "
        "share says little about animals.",
        drawn_by="data:landmark_error",
        needs={"errors": "table:landmark_error", "mean": "table:mean_shape", **_BONES},
        nothing="no specimen was digitised twice, or the error could not be found from those that "
        "were",
        beside=("digitising_error",),
    ),
    Figure(
        "distortion",
        "data",
        "Distortion removed",
        "Bones before and after they were made symmetric, as linked landmarks in three views",
        "Grey, dashed: the bone as it was dug up; black: without the shear that its two sides "
        "tell of, and averaged with its mirror image. What presses both sides alike cannot be "
        "seen in this way.",
        drawn_by="data:distortion",
        needs={"shapes": "table:distortion_shapes", **_BONES},
        beside=("distortion",),
    ),
    Figure(
        "distances",
        "membership",
        "How far from each taxon?",
        "For each query, a row of dots for each known taxon showing how far its own members lie "
        "from it, with the query's distance marked on the same row",
        "Each row is a known taxon. Small dots: how far its own members lie from it, each left "
        "out of all that it is measured by; the unit is their average. Large mark: how far the "
        "query lies. Stroke: the distance beyond which the taxon rejects it, set by how far known "
        "specimens lie from their nearest taxon when left out. To be outside, the query must lie "
        "to the right of the stroke in every row, in both columns. p is the evidence against "
        "that taxon.",
        drawn_by="membership:distances",
        needs={
            "membership": "table:membership",
            "spread": "table:spread",
            **_ALPHA,
        },
        nothing=_NO_QUERY,
    ),
    Figure(
        "proportions",
        "membership",
        "Relative sizes of bones",
        "Ratios of centroid sizes of elements within individuals, dots by taxon, queries marked",
        "Each dot is an individual; a query outside the dots of a taxon has other proportions "
        "than were measured of it.",
        drawn_by="ranges:proportions",
        needs={"table": "table:proportions", "values": "table:proportion_values"},
        per="study",
    ),
    Figure(
        "shape_space",
        "space",
        "Shape space",
        "Scatter of specimens on the first axes of shape space, taxa outlined, queries set apart",
        "Each point is a specimen; near points have like shapes. The axes come from the known "
        "specimens alone and the queries are placed in them afterwards, so a query may lie off "
        "the axes where this figure cannot show it: the verdict does not rest on it.",
        drawn_by="space:shape_space",
        needs={
            "scores": "table:shape_scores",
            "variance": "table:variance_per_axis",
            "outlines": "settings:figures.outlines",
        },
        nothing="shape varies along one axis only",
    ),
    Figure(
        "axis_shapes",
        "space",
        "What the axes mean",
        "Shapes at the lowest and highest scores on the first axes over the mean, in three views",
        "Blue, dashed: the shape at the lowest score of a known specimen; orange: at the highest; "
        "grey: the mean.",
        drawn_by="space:axis_shapes",
        needs={"ends": "table:axis_shapes", "mean": "table:mean_shape", **_BONES, **_EXAGGERATION},
    ),
    Figure(
        "variance_per_axis",
        "space",
        "Variance of each axis",
        "Bars of the share of variance of each axis with the threshold of the rule for keeping it",
        "Dark bars are the axes that tests between taxa use: as many as the rule keeps, and no "
        "more than a third of the degrees of freedom within taxa. Where the rule compares with "
        "what chance would give, a line shows it. Typicality uses axes of its own, within taxa.",
        drawn_by="space:variance",
        needs={"table": "table:variance_per_axis"},
    ),
    Figure(
        "mean_shape",
        "space",
        "The mean shape and its landmarks",
        "Mean shape of the known specimens as numbered landmarks joined by lines, in three views",
        "Mean of the known specimens, in three views on one scale; the arrows say which way the "
        "axes point. Numbers are the landmarks of the scheme.",
        drawn_by="space:mean_shape",
        needs={"table": "table:mean_shape", **_BONES},
        beside=("landmarks",),
    ),
    Figure(
        "trajectories",
        "growth",
        "Only a growth stage?",
        "Distance from each taxon's growth line against centroid size, for members and queries",
        "Small marks: how far the members of a taxon lie from the growth line that the others "
        "draw; large mark: how far the query lies at its own size. A query among the small marks "
        "is no farther from the line than members are. Beyond the shaded sizes nothing was "
        "measured, and the line is read off where it may not go.",
        drawn_by="growth:trajectories",
        needs={
            "lines": "table:trajectories",
            "spread": "table:spread",
            "sizes": "table:centroid_size",
        },
        nothing="no query could be held against growth lines",
    ),
    Figure(
        "growth",
        "growth",
        "Shape and size",
        "Scores of shape along growth against log centroid size, with a line for each taxon",
        "Height is how far a shape has gone in the direction in which shape changes with size "
        "within taxa; lines have the slope common to all taxa. A query on the lines has the shape "
        "expected of its size in this one direction; other directions are not seen here.",
        drawn_by="growth:growth",
        needs={"table": "table:growth", "slope_length": "notes:grow.slope_length"},
        nothing="sizes do not vary within taxa, or there are too few specimens for a growth line",
        beside=("model_terms", "slopes"),
    ),
    Figure(
        "displacements",
        "differs",
        "Landmark by landmark",
        "Arrows at the landmarks from where the nearest taxon has them to where the query does",
        "Grey: where the nearest taxon has its landmarks; arrows lead to the query's. Those in "
        "colour pass the control of false discoveries, landmarks and semilandmarks each among "
        "themselves. A superimposition by least squares can spread a local change over the bone: "
        "see the two fits below.",
        drawn_by="differences:vectors",
        needs={"table": "rows:displacements", **_BONES, **_ALPHA, **_EXAGGERATION},
        per="query",
    ),
    Figure(
        "displacement_ranking",
        "differs",
        "Which landmarks, and by both fits",
        "Landmarks ranked by displacement as a multiple of the usual one within taxa, by two fits",
        "Displacements as multiples of the usual one within taxa (root mean square), with mm at "
        "the right. Of a bone whose symmetric part is analysed one of each pair of landmarks. Two "
        "marks on a line are the fit by least squares and one that a local change does not drag "
        "along: where they lie apart, say which one is quoted.",
        drawn_by="differences:displacement_ranking",
        needs={"table": "rows:displacements", **_ALPHA},
        beside=("fits",),
        per="query",
    ),
    Figure(
        "heat",
        "differs",
        "On its own scan",
        "The query's scan in three views, coloured by how far it stands out beyond the mean",
        "Colours: how far the surface stands out beyond its nearest taxon's mean (yellow) or "
        "stays behind it (blue), along its own normal; only where the nearest landmark or "
        "semilandmark passes the control of false discoveries, as in the table. What lies within "
        "members' variation by that is hatched and has the colour of bone. Between landmarks the "
        "thin-plate spline tells; it knows nothing of what lies far from all of them. The bone in "
        "3D has the same colours on the same scale.",
        drawn_by="differences:heat",
        needs={
            "surfaces": "arrays:surfaces",
            "specimen": "query:specimen",
            "taxon": "query:taxon",
            "towards": "notes:superimpose.towards",
        },
        beside=("displacements", "meshes"),
        per="query",
    ),
    Figure(
        "regions",
        "differs",
        "Share of each region",
        "Share of the squared displacement in each named region beside the share expected",
        "Share of the difference in each region of the scheme, beside its share of the variation "
        "within taxa.",
        drawn_by="differences:regions",
        needs={"table": "rows:region_displacements"},
        per="query",
    ),
    Figure(
        "measurements",
        "differs",
        "Measurements in which it lies farthest out",
        "Dot plots of the best separating distances, a row for each taxon, with the query marked",
        "Distances between landmarks, in the order in which they set the query apart: those "
        "outside the range of every taxon first. The known specimens are shown as they would be "
        "at the query's own size, along the line of growth within taxa, where size can be heeded "
        "(as measured else: the title says which), as in the table below and the sentences above. "
        "In the query's colour: outside the range of every taxon, and beyond false-discovery "
        "control. Many distances share landmarks, so they are no independent witnesses; the "
        "p-values are adjusted for their number.",
        drawn_by="ranges:measurements",
        needs={
            "ranking": "table:measurement_ranking",
            "ranges": "table:measurement_ranges",
            "measured": "table:measurements",
            "at_size": "table:measurements_at_size",
            "specimen": "query:specimen",
            **_ALPHA,
            "most": "settings:figures.measurements",
        },
        per="query",
    ),
    Figure(
        "calibration",
        "sure",
        "How often is the procedure wrong on this sample?",
        "Bars of verdicts on known specimens left out in turn and on taxa left out whole",
        "Left: every known specimen that is not alone in its taxon, judged as if it were a query, "
        "by all the others; all of them belong, so those told outside are false alarms, and no "
        "more than the share at the dashed line should be. Right: every known taxon taken away "
        "whole and its members judged by the rest; none of them belongs, so those told outside "
        "are noticed. That holds for these taxa and not for new ones at large, so over all of "
        "them there is no interval. Superimposition, axes and growth lines are made again each "
        "time. A taxon that is near to another is hard to notice.",
        drawn_by="robustness:calibration",
        needs={"table": "table:calibration_summary", **_ALPHA},
        nothing="each known specimen is alone in its taxon",
        beside=("calibration",),
    ),
    Figure(
        "stability",
        "sure",
        "Where does the verdict hold, and where does it turn?",
        "For each query, strips of settings by kind of choice, coloured by the verdict they give",
        "Each strip is a kind of choice, each cell one setting of it, with everything else as "
        "analysed; the colour is the verdict. Settings that turn the verdict are named. Leaving "
        "out size, a landmark or a specimen is shown, but does not by itself undo a verdict.",
        drawn_by="robustness:stability",
        needs={"table": "table:stability"},
        nothing=_NO_QUERY,
        beside=("stability_summary",),
    ),
    Figure(
        "adequacy",
        "sure",
        "Is the sample large enough?",
        "Curves of the error of mean shape and variance against the number of specimens",
        "How well so many specimens know their taxon, from subsamples of those at hand; dashed: "
        "what the variance lets expect of larger samples. A curve that still falls steeply at its "
        "end asks for more specimens.",
        drawn_by="robustness:adequacy",
        needs={"rarefaction": "table:rarefaction"},
        nothing="no taxon has the four specimens that this takes",
        beside=("adequacy",),
    ),
    Figure(
        "specimens_to_decide",
        "sure",
        "Would more specimens decide?",
        "Bars of verdicts in simulations with specimens added to the nearest taxon",
        "Specimens invented from the fitted model are added to the nearest taxon, and the query "
        "is judged again. The first bar is the sample as it is. Dashed: four of five simulations. "
        "It is taken for granted that the taxon is as this sample shows it.",
        drawn_by="robustness:specimens_to_decide",
        needs={"table": "table:specimens_to_decide"},
        nothing="no such simulations were made",
    ),
    Figure(
        "canonical_axes",
        "groups",
        "Canonical axes: do the known taxa separate?",
        "Canonical scores of known specimens as fitted and when left out, queries set apart",
        "Axes chosen to set the known taxa apart. Left: with every specimen helping to choose "
        "them, which makes even random groups look apart. Right: each specimen placed by a model "
        "in which it had no part. Believe the right one. These axes are made for the known taxa "
        "and cannot show that a query is new.",
        drawn_by="taxa:canonical",
        needs={"scores": "table:canonical_scores", "axes_table": "table:canonical_axes"},
        nothing="there are too few specimens or taxa for such axes",
        beside=("confusion", "accuracy"),
    ),
)

FIGURES: Mapping[str, Figure] = {figure.name: figure for figure in _ALL}
