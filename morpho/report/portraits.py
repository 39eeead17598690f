"""Figures of single queries, and how to read them."""

from __future__ import annotations

__all__ = ["PORTRAITS"]

# Figures of single queries: title, alternative text, how to read them, and their tables.
PORTRAITS: dict[str, tuple[str, str, str, tuple[str, ...]]] = {
    "heat": (
        "On its own scan",
        "The query's scan in three views, coloured by how far it stands out beyond the mean",
        "Colours: how far the surface stands out beyond its nearest taxon's mean (yellow) or stays "
        "behind it (blue), along its own normal; only where the nearest landmark or semilandmark "
        "passes the control of false discoveries, as in the table. What lies within members' "
        "variation by that is hatched and has the colour of bone. Between landmarks the "
        "thin-plate spline tells; it knows nothing of what lies far from all of them. The bone "
        "in 3D has the same colours on the same scale.",
        ("displacements", "meshes"),
    ),
    "displacements": (
        "Landmark by landmark",
        "Arrows at the landmarks from where the nearest taxon has them to where the query does",
        "Grey: where the nearest taxon has its landmarks; arrows lead to the query's. Those in "
        "colour pass the control of false discoveries, landmarks and semilandmarks each among "
        "themselves. A superimposition by least squares can spread a local change over the bone: "
        "see the two fits below.",
        ("displacements",),
    ),
    "displacement_ranking": (
        "Which landmarks, and by both fits",
        "Landmarks ranked by displacement as a multiple of the usual one within taxa, by two fits",
        "Displacements as multiples of the usual one within taxa (root mean square), with mm at "
        "the right. Of a bone whose symmetric part is analysed one of each pair of landmarks. Two "
        "marks on a line are the fit by least squares and one that a local change does not drag "
        "along: where they lie apart, say which one is quoted.",
        ("displacements", "fits"),
    ),
    "regions": (
        "Share of each region",
        "Share of the squared displacement in each named region beside the share expected",
        "Share of the difference in each region of the scheme, beside its share of the variation "
        "within taxa.",
        ("region_displacements",),
    ),
    "measurements": (
        "Measurements in which it lies farthest out",
        "Dot plots of the best separating distances, a row for each taxon, with the query marked",
        "Distances between landmarks, in the order in which they set the query apart: those "
        "outside the range of every taxon first. The known specimens are shown as they would be at "
        "the query's own size, along the line of growth within taxa, where size can be heeded (as "
        "measured else: the title says which), as in the table below and the sentences above. In "
        "the query's colour: outside the range of every taxon, and beyond false-discovery control. "
        "Many distances share landmarks, so they are no independent witnesses; the p-values are "
        "adjusted for their number.",
        ("measurement_ranking", "measurement_ranges", "measurements", "measurements_at_size"),
    ),
}
