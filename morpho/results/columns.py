"""Columns that mean the same in many tables."""

from __future__ import annotations

from morpho.results.describing import Column

# fmt: off
SPECIMEN = Column("specimen", "name of the specimen; where a table says otherwise see there", "text", head="query")
TAXON = Column("taxon", "taxon of a known specimen; in tests, the taxon that a query is held against; where a table says otherwise see there", "text", head="taxon")
ROLE = Column("role", "known or query", "text")
LANDMARK = Column("landmark", "name in the scheme", "text", head="landmark")
X = Column("x", "first coordinate: in the anatomical frame of the scheme, configurations of unit centroid size; in `estimated_points`, `carried_points` and `displacements` see there")
Y = Column("y", "second coordinate, likewise")
Z = Column("z", "third coordinate, likewise")
SIZE_HEEDED = Column("size_heeded", "False: shapes as they are; True: at one size, by growth lines (one for all taxa, or some of their own); where a table says otherwise see there", "flag", head="size heeded")
P_VALUE = Column("p_value", "share of permutations at least as extreme, the observed order among them; where a table says otherwise see there", head="p")
PERMUTATIONS = Column("permutations", "number of permutations behind the p-value; all orders where they are few")
EFFECT_SIZE = Column("effect_size", "distance of the statistic from its permutations, in their standard deviations, on the log scale", head="effect size")
AXIS = Column("axis", "number of the axis of shape space")
CENTROID_SIZE_MM = Column("centroid_size_mm", "square root of the summed squared distances of the landmarks used from their centroid, in mm")
LOG_CENTROID_SIZE = Column("log_centroid_size", "natural logarithm of the centroid size in mm")
DEGREES_OF_FREEDOM = Column("degrees_of_freedom", "degrees of freedom", head="df")
SHARE_OF_VARIANCE = Column("share_of_variance", "share of the total variance or sum of squares, from 0 to 1", head="share of variance")
COMPARABLE_DISTANCE = Column("comparable_distance", "Procrustes distance from what the other specimens predict, made comparable between taxa of different size")
RELATIVE_DISTANCE = Column("relative_distance", "geometric mean of the Mahalanobis distance and that by landmarks, each by the mean one of the taxon's own specimens, left out: 1 is about as far as they lie on average; in `spread` see there", head="relative distance")
EXTRAPOLATES = Column("extrapolates", "whether the size lies beyond those of the known specimens", "flag")
WITHIN_ERROR = Column("within_error", "whether the distance is no larger than that between two digitisations of one bone; False where that is not known; in `verdicts` see there", "flag", head="within digitising error")

# What these mean stands once, before the tables; where a table means something else, it says so.
EVERYWHERE: tuple[Column, ...] = (
    SPECIMEN, TAXON, ROLE, LANDMARK, X, Y, Z, SIZE_HEEDED, P_VALUE, PERMUTATIONS, EFFECT_SIZE, AXIS,
    CENTROID_SIZE_MM, LOG_CENTROID_SIZE, DEGREES_OF_FREEDOM, SHARE_OF_VARIANCE, COMPARABLE_DISTANCE, RELATIVE_DISTANCE,
    EXTRAPOLATES, WITHIN_ERROR,
)

# What is told with each table.
GROUND = Column("ground", "what the verdict rests on, as a key word", "text")
KIND_OF_POINT = Column("kind", "landmark, curve or patch", "text")
MEAN_SQUARE = Column("mean_square", "sum of squares by degrees of freedom", head="mean square")
LARGEST_P_AS_IT_IS = Column("p_value_as_it_is", "largest p-value over the taxa, without regard to size; the level is held by the larger of this and the one at its own size", head="p as it is")
LARGEST_P_SIZE_HEEDED = Column("p_value_size_heeded", "largest p-value over the taxa, at the query's own size; by itself it rejects more often than the level says, see `p_value_as_it_is`", head="p at its own size")
SUM_OF_SQUARES = Column("sum_of_squares", "sum of squared Procrustes distances", head="sum of squares")
TAXON_SPECIMENS = Column("taxon_specimens", "known specimens of the taxon", head="n")
VERDICT = Column("verdict", "outside, inside or undecided", "text", head="verdict")
VERDICT_AS_IT_IS = Column("verdict_as_it_is", "without regard to size", "text", head="as it is")
Y_LIKEWISE = Column("y", "likewise")
Z_LIKEWISE = Column("z", "likewise")
