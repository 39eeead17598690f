"""Columns of the tables that say where a query differs."""

from __future__ import annotations

__all__ = ["DIFFERENCES"]

_NEAREST = "taxon that the query is held against"
_HEEDED = (
    "False: from the taxon's mean; True: from the shape expected of it at the query's own size"
)

_IMAGE = (
    "its mirror image, on a bone whose symmetric part is analysed: the value is the mean of both "
    "sides, or the one side that is there; blank elsewhere"
)
_WAY = (
    "longer or shorter (a distance across the bone: wider or narrower; angles and ratios: larger "
    "or smaller) than that mean"
)

DIFFERENCES: dict[str, tuple[str, dict[str, str]]] = {
    "displacements": (
        "How far each landmark and semilandmark of a query lies from where its nearest taxon has it.",
        {
            "taxon": _NEAREST,
            "size_heeded": _HEEDED,
            "rank": "place in the order of in_taxon_sd; two mirror images share one",
            "other_side": "the landmark's mirror image, on a bone whose symmetric part is analysed; blank elsewhere",
            "counted": "False for the second of two mirror images, which is the same observation: told, tested and counted with the first",
            "kind": "landmark, curve or patch",
            "definition": "anatomical definition of the scheme",
            "estimated": "whether the query's landmark was missing and is estimated",
            "displacement_mm": "distance at the query's size",
            "direction": "which way, along the scheme's axes: the longest component first, those shorter than 0.4 of the whole left out; in the frame that the table `fits` tells",
            "x_mm": "its first component, in the anatomical frame of the scheme",
            "y_mm": "second component",
            "z_mm": "third component",
            "taxon_sd_mm": "usual displacement within taxa: root mean square, pooled",
            "in_taxon_sd": "displacement by the usual one: how many times as far as members usually lie off",
            "p_value": "how often a new member would lie as far off, by Hotelling's T2 of its three coordinates",
            "p_value_false_discovery": "the same, adjusted in two families: landmarks over the landmarks, semilandmarks over the semilandmarks (Benjamini and Hochberg), two mirror images as one",
            "rank_p_value": "share of the taxon, the query among them, that lies as far off",
            "resistant_displacement_mm": "displacement by a fit that a local change does not drag along",
            "resistant_in_taxon_sd": "the same by what is usual for that fit",
            "fits_differ_mm": "distance between the two displacements",
            "fits_differ": "whether that exceeds one usual displacement: superimposition may have spread a local change",
            "x": "place predicted for the taxon, in mm at the query's size",
            "y": "likewise",
            "z": "likewise",
        },
    ),
    "fits": (
        "Agreement of the least-squares and the resistant fit of each query.",
        {
            "taxon": _NEAREST,
            "size_heeded": _HEEDED,
            "fits_rank_correlation": "Spearman's correlation of the displacements by both fits",
            "share_of_fits_differing": "share of points where they differ by more than one usual displacement; two mirror images count as one",
            "frame": "what the axes point to, and on which side's bone the directions are told",
        },
    ),
    "region_displacements": (
        "Which named region of the scheme carries the difference.",
        {
            "taxon": _NEAREST,
            "size_heeded": _HEEDED,
            "region": "module of the scheme, or elsewhere; on a bone whose symmetric part is analysed with one of each pair of mirror images, and both names where two modules mirror each other",
            "points": "landmarks in it, two mirror images as one",
            "root_mean_square_mm": "displacement of its landmarks",
            "share_of_displacement": "its share of the summed squared displacement",
            "share_of_points": "its share of the landmarks",
            "share_expected": "its share of the members' variation",
            "share_p_value": "rank of the share among the members of the taxon",
            "share_p_value_all_taxa": "rank among specimens of all taxa",
            "share_p_value_false_discovery": "the latter, adjusted over regions",
            "distance_p_value": "rank of the squared displacement itself among members",
            "distance_p_value_all_taxa": "among specimens of all taxa",
            "distance_p_value_false_discovery": "the latter, adjusted over regions",
            "rank_floor": "smallest rank p-value among members",
            "rank_floor_all_taxa": "among specimens of all taxa",
        },
    ),
    "measurements": (
        "Values of the measurements named in the scheme, and of those that rank up to 40.",
        {
            "measurement": "name, or the landmarks it is taken between",
            "other_side": _IMAGE,
            "kind": "distance, angle or ratio",
            "unit": "mm, degrees or ratio",
            "value": "blank where a landmark is missing; estimates are not measured",
        },
    ),
    "measurements_at_size": (
        "The same of the known specimens, as they would be at the size of each query.",
        {
            "specimen": "the query",
            "measurement": "name, or the landmarks it is taken between",
            "kind": "distance, angle or ratio",
            "unit": "mm, degrees or ratio",
            "known_specimen": "known specimen whose value it is",
            "taxon": "its taxon",
            "value": "its value along the line of growth within taxa, at the query's size",
        },
    ),
    "measurement_summary": (
        "Number, range, mean and standard deviation of every measurement in each taxon.",
        {
            "measurement": "name, or the landmarks it is taken between",
            "other_side": _IMAGE,
            "kind": "distance, angle or ratio",
            "unit": "mm, degrees or ratio",
            "specimens": "known specimens that have it",
            "minimum": "smallest value",
            "maximum": "largest",
            "mean": "mean",
            "standard_deviation": "standard deviation of the taxon's values, in the unit",
        },
    ),
    "measurement_ranking": (
        "Measurements in the order in which they set a query apart: outside every range first.",
        {
            "size_heeded": "False: as it is; True: beyond allometry, at the query's size",
            "kind": "distance, angle or ratio: each ranked by itself",
            "rank": "place in the order",
            "measurement": "name, or the landmarks it is taken between",
            "other_side": _IMAGE,
            "unit": "mm, degrees or ratio",
            "value": "of the query",
            "taxa_compared": "taxa with at least three specimens that have it",
            "taxa_outside": "taxa of any number of specimens whose range the query lies outside of",
            "outside_every_taxon": "whether that is every taxon that has it; False where one of three or more specimens lacks it",
            "beside_ranges": "where it is outside every taxon: above all, below all, or between their ranges; else blank",
            "nearest_taxon": "of the taxa compared, the one that it differs from least, in its standard deviations",
            "nearest_mean": "its mean; at the query's size where size is heeded",
            "direction": _WAY,
            "difference": "value less that mean, in the unit",
            "difference_percent": "the same in percent of the mean; blank for angles",
            "standardised_difference": "the difference from that taxon in its standard deviations, positive where the query's value is larger, with the small-sample factor of Hedges",
            "p_value": "the largest of the taxa compared: how often a new member would differ as much",
            "p_value_false_discovery": "the same, adjusted over the measurements (Benjamini and Hochberg)",
        },
    ),
    "measurement_ranges": (
        "The same measurements of each query beside each taxon.",
        {
            "size_heeded": "False: as it is; True: beyond allometry, ranges and means at the query's size",
            "measurement": "name, or the landmarks it is taken between",
            "kind": "distance, angle or ratio",
            "unit": "mm, degrees or ratio",
            "specimens": "known specimens that have it",
            "minimum": "smallest value",
            "maximum": "largest",
            "mean": "mean; geometric where size is heeded",
            "standard_deviation": "standard deviation of the taxon's values",
            "standard_deviation_unit": "its unit; logarithm: 0.05 is about 5 percent",
            "value": "of the query",
            "outside_range": "whether that lies outside the taxon's range; blank where the query has no value, or the taxon no specimen with one",
            "beyond_range": "by how much",
            "direction": _WAY,
            "difference": "value less mean, in the unit",
            "difference_percent": "the same in percent of the mean; blank for angles",
            "standardised_difference": "the difference from the mean in the taxon's standard deviations, positive where the query's value is larger, with the small-sample factor of Hedges",
            "p_value": "how often a new member would differ as much",
            "p_value_false_discovery": "the same, adjusted over the measurements",
        },
    ),
    "meshes": (
        "Surfaces in the folder meshes: each as PLY (colours), GLB (colours) and STL (closed, in mm, for printing).",
        {
            "file": "name without ending",
            "form": "what it shows",
            "template": "specimen whose scan was warped; blank for a query's own scan",
            "faces": "number of triangles",
            "share_folded": "share of faces that the warp turns inside out; more than 0: do not trust it there",
            "watertight": "whether the STL is closed",
            "holes_closed": "holes filled to close it",
            "holes_left": "holes left open",
            "volume_mm3": "volume; blank unless closed",
            "hole_lengths_mm": "lengths around the holes left open, separated by semicolons",
            "hole_reasons": "why each of them was left: no_area: its edges lie upon each other; long: it is too long around; bent: it leaves its plane too far for its length",
            "folds": "whether the warp folds or turns parts of it: do not trust it there; blank for a query's own scan",
            "crowded_edges": "edges that join more than two faces",
        },
    ),
    "portraits": (
        "Figures of single queries in the folder figures/queries.",
        {"figure": "what it shows", "file": "name without ending"},
    ),
}
