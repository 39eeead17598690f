"""Tables that say where a query differs, and by how much."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    CENTROID_SIZE_MM, KIND_OF_POINT, LANDMARK, P_VALUE, ROLE, SIZE_HEEDED, SPECIMEN, TAXON,
    Y_LIKEWISE, Z_LIKEWISE, X,
)
from morpho.results.describing import Column, Table

__all__ = ["DIFFERENCES"]

PERCENT = Column("difference_percent", "the same in percent of the mean; blank for angles", head="by (%)")
WAY = Column("direction", "longer or shorter (a distance across the bone: wider or narrower; angles and ratios: larger or smaller) than that mean", "text", head="the query is")
FILE = Column("file", "name without ending", "text", head="file")
KIND_OF_MEASUREMENT = Column("kind", "distance, angle or ratio", "text")
MAXIMUM = Column("maximum", "largest", head="maximum")
MEASUREMENT = Column("measurement", "name, or the landmarks it is taken between", "text", head="measurement")
MINIMUM = Column("minimum", "smallest value", head="minimum")
IMAGE = Column("other_side", "its mirror image, on a bone whose symmetric part is analysed: the value is the mean of both sides, or the one side that is there; blank elsewhere", "text", head="and its mirror image")
FROM_EXPECTED = Column("size_heeded", "False: from the taxon's mean; True: from the shape expected of it at the query's own size", "flag", head="size heeded")
MEASURED = Column("specimens", "known specimens that have it", head="n")
HELD_AGAINST = Column("taxon", "taxon that the query is held against", "text", head="from")
UNIT = Column("unit", "mm, degrees or ratio", "text", head="unit")
QUERY_VALUE = Column("value", "of the query", head="query (mm, as measured)")

DIFFERENCES: tuple[Table, ...] = (
    Table(
        "displacements", "How far each landmark and semilandmark of a query lies from where its nearest taxon has it.", "differ",
        section="differs", page="Displacement of each landmark",
        paper=(
            "Displacement of each landmark of a query from where its nearest taxon has it, at "
            "the query's size, in mm and as a multiple of the usual displacement of members "
            "(root mean square within taxa), by least squares and by a resistant fit; adjusted "
            "p: Hotelling's T2, false discoveries held over landmarks, two mirror images "
            "counted as one."
        ),
        columns=(
            SPECIMEN.here(only="paper"), HELD_AGAINST.here(only="paper"),
            FROM_EXPECTED.here(only="paper"),
            Column("rank", "place in the order of in_taxon_sd; two mirror images share one"),
            LANDMARK,
            Column("other_side", "the landmark's mirror image, on a bone whose symmetric part is analysed; blank elsewhere", "text", head="and its mirror image"),
            Column("counted", "False for the second of two mirror images, which is the same observation: told, tested and counted with the first", "flag"),
            KIND_OF_POINT,
            Column("definition", "anatomical definition of the scheme", "text", head="definition", only="page"),
            Column("estimated", "whether the query's landmark was missing and is estimated", "flag", head="estimated"),
            Column("displacement_mm", "distance at the query's size", head="mm in all"),
            Column("direction", "which way, along the scheme's axes: the longest component first, those shorter than 0.4 of the whole left out; in the frame that the table `fits` tells", "text", head="direction"),
            Column("x_mm", "its first component, in the anatomical frame of the scheme"),
            Column("y_mm", "second component"),
            Column("z_mm", "third component"),
            Column("taxon_sd_mm", "usual displacement within taxa: root mean square, pooled"),
            Column("in_taxon_sd", "displacement by the usual one: how many times as far as members usually lie off", head="times the usual displacement"),
            P_VALUE.here(meaning="how often a new member would lie as far off, by Hotelling's T2 of its three coordinates", head=""),
            Column("p_value_false_discovery", "the same, adjusted in two families: landmarks over the landmarks, semilandmarks over the semilandmarks (Benjamini and Hochberg), two mirror images as one", head="adjusted p"),
            Column("rank_p_value", "share of the taxon, the query among them, that lies as far off", head="rank p", only="paper"),
            Column("resistant_displacement_mm", "displacement by a fit that a local change does not drag along", head="mm by the resistant fit"),
            Column("resistant_in_taxon_sd", "the same by what is usual for that fit", head="times the usual by the resistant fit", only="paper"),
            Column("fits_differ_mm", "distance between the two displacements"),
            Column("fits_differ", "whether that exceeds one usual displacement: superimposition may have spread a local change", "flag", head="fits differ"),
            X.here(meaning="place predicted for the taxon, in mm at the query's size"),
            Y_LIKEWISE, Z_LIKEWISE,
        ),
    ),
    Table(
        "fits", "Agreement of the least-squares and the resistant fit of each query.", "differ",
        columns=(
            SPECIMEN, HELD_AGAINST, FROM_EXPECTED,
            Column("fits_rank_correlation", "Spearman's correlation of the displacements by both fits"),
            Column("share_of_fits_differing", "share of points where they differ by more than one usual displacement; two mirror images count as one"),
            Column("frame", "what the axes point to, and on which side's bone the directions are told", "text"),
        ),
    ),
    Table(
        "region_displacements", "Which named region of the scheme carries the difference.", "differ",
        section="differs", page="Regions",
        paper=(
            "Share of each named region in the squared displacement of a query, beside its "
            "share of the variation within taxa."
        ),
        columns=(
            SPECIMEN.here(only="paper"), HELD_AGAINST.here(only="paper"),
            FROM_EXPECTED.here(only="paper"),
            Column("region", "module of the scheme, or elsewhere; on a bone whose symmetric part is analysed with one of each pair of mirror images, and both names where two modules mirror each other", "text", head="region"),
            Column("points", "landmarks in it, two mirror images as one", head="points"),
            Column("root_mean_square_mm", "displacement of its landmarks", head="displacement (mm)"),
            Column("share_of_displacement", "its share of the summed squared displacement", head="share of the difference"),
            Column("share_of_points", "its share of the landmarks"),
            Column("share_expected", "its share of the members' variation", head="share expected"),
            Column("share_p_value", "rank of the share among the members of the taxon"),
            Column("share_p_value_all_taxa", "rank among specimens of all taxa"),
            Column("share_p_value_false_discovery", "the latter, adjusted over regions", head="adjusted p of the share"),
            Column("distance_p_value", "rank of the squared displacement itself among members"),
            Column("distance_p_value_all_taxa", "among specimens of all taxa"),
            Column("distance_p_value_false_discovery", "the latter, adjusted over regions", head="adjusted p of the distance"),
            Column("rank_floor", "smallest rank p-value among members"),
            Column("rank_floor_all_taxa", "among specimens of all taxa"),
        ),
    ),
    Table(
        "measurements", "Values of the measurements named in the scheme, and of those that rank up to 40.", "differ",
        columns=(
            SPECIMEN, TAXON, ROLE, MEASUREMENT, IMAGE, KIND_OF_MEASUREMENT, UNIT,
            Column("value", "blank where a landmark is missing; estimates are not measured", head="query's value"),
        ),
    ),
    Table(
        "measurements_at_size", "The same of the known specimens, as they would be at the size of each query.", "differ",
        columns=(
            SPECIMEN.here(meaning="the query"),
            MEASUREMENT, KIND_OF_MEASUREMENT, UNIT,
            Column("known_specimen", "known specimen whose value it is", "text"),
            TAXON.here(meaning="its taxon"),
            Column("value", "its value along the line of growth within taxa, at the query's size"),
        ),
    ),
    Table(
        "measurement_summary", "Number, range, mean and standard deviation of every measurement in each taxon.", "differ",
        # headings of the differential diagnosis, which is made of it
        columns=(
            MEASUREMENT, IMAGE.here(head=""), KIND_OF_MEASUREMENT, UNIT, TAXON, MEASURED, MINIMUM,
            MAXIMUM,
            Column("mean", "mean", head="mean"),
            Column("standard_deviation", "standard deviation of the taxon's values, in the unit", head="standard deviation"),
        ),
    ),
    Table(
        "measurement_ranking", "Measurements in the order in which they set a query apart: outside every range first.", "differ",
        section="differs", page="Distances in the order in which they set it apart",
        columns=(
            SPECIMEN.here(head=""),
            SIZE_HEEDED.here(meaning="False: as it is; True: beyond allometry, at the query's size", head=""),
            Column("kind", "distance, angle or ratio: each ranked by itself", "text"),
            Column("rank", "place in the order", head="rank"),
            MEASUREMENT.here(head="distance"), IMAGE, UNIT.here(head=""), QUERY_VALUE,
            Column("taxa_compared", "taxa with at least three specimens that have it"),
            Column("taxa_outside", "taxa of any number of specimens whose range the query lies outside of"),
            Column("outside_every_taxon", "whether that is every taxon that has it; False where one of three or more specimens lacks it", "flag", head="outside every range {way}"),
            Column("beside_ranges", "where it is outside every taxon: above all, below all, or between their ranges; else blank", "text"),
            Column("nearest_taxon", "of the taxa compared, the one that it differs from least, in its standard deviations", "text", head="nearest taxon {way}"),
            Column("nearest_mean", "its mean; at the query's size where size is heeded", head="its mean (mm) {way}"),
            WAY,
            Column("difference", "value less that mean, in the unit", head="by (mm)"),
            PERCENT,
            Column("standardised_difference", "the difference from that taxon in its standard deviations, positive where the query's value is larger, with the small-sample factor of Hedges", head="in standard deviations of that taxon"),
            P_VALUE.here(meaning="the largest of the taxa compared: how often a new member would differ as much", head=""),
            Column("p_value_false_discovery", "the same, adjusted over the measurements (Benjamini and Hochberg)", head="adjusted p"),
        ),
    ),
    Table(
        "measurement_ranges", "The same measurements of each query beside each taxon.", "differ",
        columns=(
            SPECIMEN,
            SIZE_HEEDED.here(meaning="False: as it is; True: beyond allometry, ranges and means at the query's size"),
            MEASUREMENT, KIND_OF_MEASUREMENT, UNIT, TAXON, MEASURED, MINIMUM, MAXIMUM,
            Column("mean", "mean; geometric where size is heeded"),
            Column("standard_deviation", "standard deviation of the taxon's values"),
            Column("standard_deviation_unit", "its unit; logarithm: 0.05 is about 5 percent", "text"),
            QUERY_VALUE,
            Column("outside_range", "whether that lies outside the taxon's range; blank where the query has no value, or the taxon no specimen with one", "maybe"),
            Column("beyond_range", "by how much"),
            WAY,
            Column("difference", "value less mean, in the unit"),
            PERCENT,
            Column("standardised_difference", "the difference from the mean in the taxon's standard deviations, positive where the query's value is larger, with the small-sample factor of Hedges"),
            P_VALUE.here(meaning="how often a new member would differ as much"),
            Column("p_value_false_discovery", "the same, adjusted over the measurements"),
        ),
    ),
    Table(
        "meshes", "Surfaces in the folder meshes: each as PLY (colours), GLB (colours) and STL (closed, in mm, for printing).", "warp",
        section="differs", paper="Warped and coloured surfaces.",
        columns=(
            FILE.here(only="paper"),
            Column("form", "what it shows", "text", head="surface"),
            SPECIMEN.here(head=""), TAXON.here(head=""),
            Column("template", "specimen whose scan was warped; blank for a query's own scan", "text", head="template", only="paper"),
            CENTROID_SIZE_MM,
            Column("faces", "number of triangles", head="faces"),
            Column("share_folded", "share of faces that the warp turns inside out; more than 0: do not trust it there", head="share folded", only="paper"),
            Column("watertight", "whether the STL is closed", "flag", head="closed for printing"),
            Column("holes_closed", "holes filled to close it"),
            Column("holes_left", "holes left open"),
            Column("volume_mm3", "volume; blank unless closed", head="volume (mm³)"),
            Column("hole_lengths_mm", "lengths around the holes left open, separated by semicolons", "text"),
            Column("hole_reasons", "why each of them was left: no_area: its edges lie upon each other; long: it is too long around; bent: it leaves its plane too far for its length", "text"),
            Column("folds", "whether the warp folds or turns parts of it: do not trust it there; blank for a query's own scan", "maybe"),
            Column("crowded_edges", "edges that join more than two faces"),
            Column("remark", "what is left open or doubtful", "text", head="remark", told=True),
        ),
    ),
    Table(
        "portraits", "Figures of single queries in the folder figures/queries.", "portray",
        columns=(
            SPECIMEN,
            Column("figure", "what it shows", "text"),
            FILE,
        ),
    ),
)
