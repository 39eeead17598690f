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
    procrustes_distance, comparable_distance
    mahalanobis_distance, landmark_distance, relative_distance
        See `Distances`.
    critical_distance : ndarray of shape (n_taxa,)
        Relative distance beyond which the test of the taxon rejects.
    p_value
        Against membership, see `Reference`.
    posterior_probability
        Of each taxon were it certain that the query belongs to one of them.
    beyond_sizes
        Whether the query is smaller or larger than every known specimen of the taxon;
        False where size is not heeded.
    """

    taxa: NDArray
    specimens: NDArray[np.int_]
    procrustes_distance: Array
    comparable_distance: Array
    mahalanobis_distance: Array
    landmark_distance: Array
    relative_distance: Array
    critical_distance: Array
    p_value: Array
    posterior_probability: Array
    beyond_sizes: NDArray[np.bool_]
