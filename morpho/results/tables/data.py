"""Tables of the input: whether it can be trusted, and who takes part."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    DEGREES_OF_FREEDOM, KIND_OF_POINT, LANDMARK, MEAN_SQUARE, P_VALUE, ROLE,
    SHARE_OF_VARIANCE, SPECIMEN, SUM_OF_SQUARES, TAXON, Y_LIKEWISE, Z_LIKEWISE, X, Y, Z,
)
from morpho.results.describing import Column, Table

__all__ = ["DATA"]

DATA: tuple[Table, ...] = (
    Table(
        "suspicions", "Digitisations that look wrong, with what would mend them. Nothing was changed.", "screen",
        columns=(
            SPECIMEN,
            Column("replicate", "label of the digitisation", "text"),
            Column("observer", "who digitised", "text"),
            Column("kind", "swapped, mirror, size, displaced or unusual", "text"),
            Column("landmarks", "landmarks it is about, separated by semicolons", "text"),
            Column("distance_before", "distance from the taxon, in usual deviations; for size, of log size"),
            Column("distance_after", "the same once the slip were mended"),
            Column("threshold", "distance beyond which a digitisation is looked at"),
            Column("side", "for mirror: side that the specimen table gives, of which it is the mirror image; blank where it gives none", "text"),
            Column("true_names", "for swapped: what these landmarks should probably be called, in their order; blank where left and right are exchanged throughout", "text"),
            Column("deviations", "for displaced: how far each of the landmarks lies off, in its usual deviations, in their order", "text"),
            Column("times_usual", "for unusual: distance from the taxon as a multiple of the usual one; for size: centroid size as a multiple of the taxon's median"),
            Column("factor", "for size: factor near by that a unit or a shifted decimal mark would explain; blank where there is none"),
        ),
    ),
    Table(
        "digitising_error", "Procrustes ANOVA of replicates: differences between specimens against those between digitisations.", "measure",
        section="data", page="Digitising error: Procrustes ANOVA of replicates",
        paper="Digitising error: Procrustes analysis of variance of replicates.",
        columns=(
            Column("source", "specimen, observer, observer by specimen, error, total", "text", head="source"),
            SUM_OF_SQUARES, DEGREES_OF_FREEDOM, MEAN_SQUARE,
            Column("f_ratio", "mean square by that of the error", head="F"),
            P_VALUE, SHARE_OF_VARIANCE.here(head=""),
        ),
    ),
    Table(
        "landmark_error", "Digitising error of each landmark.", "measure",
        columns=(
            LANDMARK,
            Column("error_mm", "root mean square distance of a digitisation from the true place"),
            Column("share_of_within_taxon_variance", "the part of the variance of single digitisations within taxa that is error"),
            Column("observer_difference_mm", "distance between the observers' mean placings; the largest where there are more than two"),
        ),
    ),
    Table(
        "specimen_error", "Digitising error of each specimen, by the nearest replicates that tell it.", "measure",
        columns=(
            SPECIMEN,
            Column("digitisations", "how many there are"),
            Column("error_mm", "root mean square distance of a landmark from its true place in one digitisation; blank where no specimen was digitised twice"),
            Column("told_by", "itself: its own replicates; group: those of others by the same observer and scanner; others: those by other observers or scanners only", "text"),
        ),
    ),
    Table(
        "asymmetry", "Procrustes ANOVA of the sides of a bone with a plane of symmetry; empty for other bones.", "measure",
        section="data", page="Sides: Procrustes ANOVA",
        paper="Sides of the bone: Procrustes analysis of variance.",
        columns=(
            Column("source", "individual; side, directional asymmetry; individual by side, fluctuating asymmetry; error; total", "text", head="source"),
            SUM_OF_SQUARES, DEGREES_OF_FREEDOM, MEAN_SQUARE,
            Column("f_ratio", "mean square by that it is tested against", head="F"),
            P_VALUE, SHARE_OF_VARIANCE.here(head=""),
        ),
    ),
    Table(
        "distortion", "Bones made symmetric because they were squashed or sheared in the ground.", "prepare",
        columns=(
            SPECIMEN,
            Column("shear", "about the tangent of the angle by which the bone leaned"),
            Column("asymmetry_before", "distance of landmarks from the symmetric bone, as a share of their distance from the centroid"),
            Column("asymmetry_sheared", "the same once the shear was taken out; the rest is averaged away"),
            Column("procrustes_distance", "Procrustes distance between the bone before and after"),
        ),
    ),
    Table(
        "distortion_shapes", "The same bones before and after, superimposed on the mean; those with missing points are left out.", "superimpose",
        columns=(
            SPECIMEN,
            Column("when", "before or after", "text"),
            LANDMARK, X, Y, Z,
        ),
    ),
    Table(
        "estimated_points", "Every point that was missing and is estimated.", "slide",
        columns=(
            SPECIMEN,
            Column("point", "landmark, or semilandmark as curve.number or patch.number", "text"),
            KIND_OF_POINT,
            Column("estimated_by", "mirror side, or other specimens", "text"),
            Column("cause", "missing: the landmark itself; no_scan_point: it was not found on a scan; no_curve: its curve is not digitised; no_curve_end: an end of its curve is missing", "text"),
            Column("missing_ends", "ends of its curve that are missing, separated by semicolons", "text"),
            X.here(meaning="estimate, in mm, as the scan lies (mirrored where the specimen was)"),
            Y_LIKEWISE, Z_LIKEWISE,
            Column("spread_mm", "standard deviation of the draws of the estimate"),
        ),
    ),
    Table(
        "recovery", "Hide and seek: how well known landmarks are found when they are hidden.", "slide",
        section="data", page="Hide and seek: how well hidden landmarks are found",
        columns=(
            LANDMARK,
            Column("estimated_by", "mirror side, regression or spline", "text", head="estimated by"),
            Column("error_mm", "root mean square distance of the estimate from the true place", head="error (mm)"),
            Column("error_in_spread", "the same by the landmark's usual displacement within taxa (root mean square); at 1 the mean of the taxon would do as well", head="error, times the usual displacement within taxa"),
            Column("coverage", "share of true places within the region that should hold 0.9 of them", head="coverage (0.9 expected)"),
        ),
    ),
    Table(
        "carried_points", "Points of patches carried from the template to each scan.", "slide",
        columns=(
            SPECIMEN,
            Column("patch", "name of the patch", "text"),
            Column("number", "number of the point"),
            X.here(meaning="in mm, as the scan lies"),
            Y_LIKEWISE, Z_LIKEWISE,
            Column("distance_mm", "how far projection to the scan moved the point"),
            Column("flag", "why the point is not used: far: from the surface; edge: at an edge of the scan; other_side: on the other side; blank if it is", "text"),
        ),
    ),
    Table(
        "sliding", "How the semilandmarks came to rest.", "slide",
        columns=(
            Column("pass", "number of the pass; 0 before sliding"),
            Column("change", "root mean square move of the specimens, as a share of centroid size"),
            Column("minimised", "bending energy or squared Procrustes distance, as chosen; mean over specimens"),
        ),
    ),
    Table(
        "specimens", "Every specimen digitised on the element, and what became of it.", "prepare",
        columns=(
            SPECIMEN, TAXON, ROLE,
            Column("side", "side of the bone; blank where it has none", "text"),
            Column("stage", "growth stage as given", "text"),
            Column("digitisations", "number of replicates averaged"),
            Column("mirrored", "whether it was mirrored to the other side", "flag"),
            Column("landmarks_present", "number of landmarks of the scheme that it has"),
            Column("missing_landmarks", "names of the others, separated by spaces", "text"),
            Column("used", "whether it takes part", "flag"),
            Column("set_aside", "why it takes no part: too_little: a smaller share of its landmarks is left than study.yaml asks for; missing_points: set aside for missing points; blank where it takes part", "text"),
            Column("missing_points", "points that it is set aside for, separated by spaces; blank where it is not set aside for missing points", "text"),
        ),
    ),
    Table(
        "landmarks", "The landmarks of the scheme.", "prepare",
        columns=(
            LANDMARK,
            Column("type", "1 juxtaposition of tissues, 2 maximum of curvature, 3 extremal or constructed"),
            Column("definition", "anatomical definition", "text"),
            Column("used", "whether all specimens that take part have it, so that it is analysed", "flag"),
        ),
    ),
)
