"""How to read each figure: captions and alternative texts."""

from __future__ import annotations

__all__ = ["CAPTIONS", "Caption"]

from dataclasses import dataclass


@dataclass(frozen=True)
class Caption:
    """What stands below a figure.

    Attributes
    ----------
    title : str
    alternative : str
        For those who cannot see the figure.
    text : str
        How to read it.
    tables : tuple of str
        Tables that it is drawn from.
    """

    title: str
    alternative: str
    text: str
    tables: tuple[str, ...]


CAPTIONS: dict[str, Caption] = {
    "distances": Caption(
        "How far from each taxon?",
        "For each query, a row of dots for each known taxon showing how far its own members lie "
        "from it, with the query's distance marked on the same row",
        "Each row is a known taxon. Small dots: how far its own members lie from what the other "
        "specimens predict for the taxon. Large mark: how far the query lies, on the same scale. A "
        "query like members lies among the dots of at least one row; to be outside it must "
        "lie to the right of the dots in every row, in both columns (of all, or of all but the "
        "share of the level in a taxon of many), which is needed but not enough: p must reject as "
        "well, and a taxon that spreads widely of itself, which is not "
        "drawn, may still keep it. p is the evidence against that taxon. Shaded, "
        "where bones were digitised twice: no farther than two digitisations of one bone.",
        ("membership", "spread"),
    ),
    "calibration": Caption(
        "How often is the procedure wrong on this sample?",
        "Bars of verdicts on known specimens left out in turn and on taxa left out whole",
        "Left: every known specimen that is not alone in its taxon, judged as if it were a query, "
        "by all the others; all of them belong, so those told outside are false alarms, and no "
        "more than the share at the dashed line should be. Right: every known taxon taken away "
        "whole and its members judged by the rest; none of them belongs, so those told outside "
        "are noticed. That holds for these taxa and not for new ones at large, so over all of "
        "them there is no interval. Superimposition, axes and growth lines are made again each "
        "time. A taxon that is near to another is hard to notice.",
        ("calibration_summary", "calibration"),
    ),
    "stability": Caption(
        "Where does the verdict hold, and where does it turn?",
        "For each query, strips of settings by kind of choice, coloured by the verdict they give",
        "Each strip is a kind of choice, each cell one setting of it, with everything else as "
        "analysed; the colour is the verdict. Settings that turn the verdict are named. Leaving "
        "size out or another covariance is shown, but does not by itself undo a verdict.",
        ("stability", "stability_summary"),
    ),
    "trajectories": Caption(
        "Only a growth stage?",
        "Distance from each taxon's growth line against centroid size, for members and queries",
        "Small marks: how far the members of a taxon lie from the growth line that the others "
        "draw; large mark: how far the query lies at its own size. A query among the small marks "
        "is no farther from the line than members are. Beyond the shaded sizes nothing was "
        "measured, and the line is read off where it may not go.",
        ("trajectories", "spread", "centroid_size"),
    ),
    "adequacy": Caption(
        "Is the sample large enough?",
        "Curves of the error of mean shape and variance against the number of specimens",
        "How well so many specimens know their taxon, from subsamples of those at hand; dashed: "
        "what the variance lets expect of larger samples. A curve that still falls steeply at its "
        "end asks for more specimens.",
        ("rarefaction", "adequacy"),
    ),
    "specimens_to_decide": Caption(
        "Would more specimens decide?",
        "Bars of verdicts in simulations with specimens added to the nearest taxon",
        "Specimens invented from the fitted model are added to the nearest taxon, and the query is "
        "judged again. The first bar is the sample as it is. Dashed: four of five simulations. It "
        "is taken for granted that the taxon is as this sample shows it.",
        ("specimens_to_decide",),
    ),
    "shape_space": Caption(
        "Shape space",
        "Scatter of specimens on the first axes of shape space, taxa outlined, queries set apart",
        "Each point is a specimen; near points have like shapes. The axes come from the known "
        "specimens alone and the queries are placed in them afterwards, so a query may lie off the "
        "axes where this figure cannot show it: the verdict does not rest on it.",
        ("shape_scores", "variance_per_axis"),
    ),
    "variance_per_axis": Caption(
        "Variance of each axis",
        "Bars of the share of variance of each axis with the threshold of the rule for keeping it",
        "Dark bars are the axes that tests between taxa use: as many as the rule keeps, and no "
        "more than a third of the degrees of freedom within taxa. Where the rule compares with "
        "what chance would give, a line shows it. Typicality uses axes of its own, within taxa.",
        ("variance_per_axis",),
    ),
    "mean_shape": Caption(
        "The mean shape and its landmarks",
        "Mean shape of the known specimens as numbered landmarks joined by lines, in three views",
        "Mean of the known specimens, in three views on one scale; the arrows say which way the "
        "axes point. Numbers are the landmarks of the scheme.",
        ("mean_shape", "landmarks"),
    ),
    "axis_shapes": Caption(
        "What the axes mean",
        "Shapes at the lowest and highest scores on the first axes over the mean, in three views",
        "Blue, dashed: the shape at the lowest score of a known specimen; orange: at the highest; "
        "grey: the mean.",
        ("axis_shapes", "mean_shape"),
    ),
    "distortion": Caption(
        "Distortion removed",
        "Bones before and after they were made symmetric, as linked landmarks in three views",
        "Grey, dashed: the bone as it was dug up; black: without the shear that its two sides "
        "tell of, and averaged with its mirror image. What presses both sides alike cannot be "
        "seen in this way.",
        ("distortion", "distortion_shapes"),
    ),
    "landmark_error": Caption(
        "How well can each landmark be placed?",
        "Discs on the mean bone and bars for the digitising error of each landmark in millimetres",
        "Error of one digitisation, from bones that were digitised more than once: root mean "
        "square distance from the true place. Left: size of the discs on the mean bone. Right: in "
        "mm, with the share of the variance within taxa that is error. A landmark with a large "
        "share says little about animals.",
        ("landmark_error", "digitising_error"),
    ),
    "growth": Caption(
        "Shape and size",
        "Scores of shape along growth against log centroid size, with a line for each taxon",
        "Height is how far a shape has gone in the direction in which shape changes with size "
        "within taxa; lines have the slope common to all taxa. A query on the lines has the shape "
        "expected of its size in this one direction; other directions are not seen here.",
        ("growth", "model_terms", "slopes"),
    ),
    "canonical_axes": Caption(
        "Canonical axes: do the known taxa separate?",
        "Canonical scores of known specimens as fitted and when left out, queries set apart",
        "Axes chosen to set the known taxa apart. Left: with every specimen helping to choose "
        "them, which makes even random groups look apart. Right: each specimen placed by a model "
        "in which it had no part. Believe the right one. These axes are made for the known taxa "
        "and cannot show that a query is new.",
        ("canonical_scores", "canonical_axes", "confusion", "accuracy"),
    ),
}
