"""What speaks for and against queries in the known taxa."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Evidence"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against each query in each taxon.

    All arrays have shape (n_queries, n_taxa) unless said otherwise.

    Attributes
    ----------
    taxa : ndarray of shape (n_taxa,)
    specimens : ndarray of shape (n_taxa,)
        Known specimens of each taxon.
    procrustes_distance
        From the query to the shape predicted for the taxon, in all of tangent space.
    comparable_distance
        The Procrustes distance divided by the square root of 1 + leverage: on the scale
        of `Membership.spread`, which measures known specimens against their own taxa.
    mahalanobis_distance
        The distance on the axes retained, in pooled within-taxon standard deviations.
    typicality_probability
        See `typicality`; NaN where the sample is too small for the axes.
    rank_p_value
        Share of the taxon's specimens, the query among them, that lie as far out by
        Procrustes distance.
    axes_rank_p_value
        The same by Mahalanobis distance on the axes retained; NaN as above.
    rank_floor : ndarray of shape (n_taxa,)
        Smallest value of both that the taxon's number allows: 1 / (n_g + 1), or 1 for a
        taxon of one, from which the query is as far as that one from the query.
    own_spread_p_value
        How often a member of the taxon would lie at least as far out by Procrustes
        distance, judged by the spread of that taxon alone, see `effective_dimensions`; NaN for a
        taxon of one, which has no spread of its own.
    pooled_rank_p_value
        Share of all known specimens and the query that lie as far from their own taxa.
    pooled_rank_floor
        Smallest pooled rank p-value that the number of known specimens allows.
    p_value
        Evidence against membership: twice the smaller of typicality probability and
        pooled rank p-value, at most 1 (one of the two alone where the other is NaN).
    posterior_probability
        Of each taxon were it certain that the query belongs to one of them, on the axes
        that `scores` were given on.
    beyond_sizes
        Whether the query is smaller or larger than every known specimen of the taxon;
        False where size is not heeded.
    """

    taxa: NDArray
    specimens: NDArray[np.int_]
    procrustes_distance: Array
    comparable_distance: Array
    mahalanobis_distance: Array
    typicality_probability: Array
    rank_p_value: Array
    axes_rank_p_value: Array
    rank_floor: Array
    own_spread_p_value: Array
    pooled_rank_p_value: Array
    pooled_rank_floor: Array
    p_value: Array
    posterior_probability: Array
    beyond_sizes: NDArray[np.bool_]
