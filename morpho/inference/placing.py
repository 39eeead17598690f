"""Placing queries among the known taxa."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.allometry import check_size
from morpho.inference.design import InferenceError, check_matrix
from morpho.inference.membership import Evidence, Membership
from morpho.inference.ordination import ShapeSpace, most_axes

__all__ = ["axes_within_taxa", "place_queries"]

Array = NDArray[np.float64]


def axes_within_taxa(
    Y: ArrayLike,
    labels: ArrayLike,
    size: ArrayLike | None = None,
    *,
    axes: str = "share",
    share: float = 0.9,
    most: int = 10,
    random_state: int | np.random.Generator | None = None,
) -> tuple[int, float]:
    """Number of axes for the variation within taxa, by the rule of the shape space.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates of the known specimens.
    labels : array-like of shape (n_specimens,)
    size : array-like of shape (n_specimens,), optional
        Log centroid sizes, where size is heeded.
    axes, share, most, random_state
        As in `ShapeSpace`; never more axes than `most_axes` allows.

    Returns
    -------
    n_axes : int
    share : float
        Share of the variance within taxa that lies along them.
    """
    Y = check_matrix(Y)
    residuals = Membership().fit(Y, Y[:, :1], labels, size).residuals_
    space = ShapeSpace(
        axes=axes,
        share=share,
        most=most_axes(len(Y), len(np.unique(np.asarray(labels))), most),
        random_state=random_state,
    ).fit(residuals)
    return space.n_axes_, float(space.share_of_variance_[: space.n_axes_].sum())


def _small_side(Y: Array, queries: Array) -> tuple[Array, Array]:
    """Known and query in coordinates of the space that they span: same distances, less width."""
    together = np.vstack([Y, queries])
    if together.shape[1] <= len(together):
        return Y, queries
    U, s, _ = np.linalg.svd(together, full_matrices=False)
    return (U * s)[: len(Y)], (U * s)[len(Y) :]


def place_queries(
    Y: ArrayLike,
    labels: ArrayLike,
    queries: ArrayLike,
    *,
    n_axes: int,
    shared_axes: int | None = None,
    size: ArrayLike | None = None,
    query_size: ArrayLike | None = None,
) -> Evidence:
    """Evidence for and against each query in each taxon.

    Typicality is judged on axes of its own for each query and taxon, see `Membership`.
    Posterior probabilities compare taxa with one another and need one set of axes for all:
    the principal axes of the known specimens.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates of the known specimens.
    labels : array-like of shape (n_specimens,)
        Their taxa.
    queries : array-like of shape (n_queries, n_variables)
    n_axes : int
        Number of axes within taxa on which distances are measured in standard deviations.
    shared_axes : int, optional
        Number of principal axes for the posterior probabilities; by default as many.
    size : array-like of shape (n_specimens,), optional
        Log centroid sizes; given, each query is compared at its own size.
    query_size : array-like of shape (n_queries,), optional
        Needed with `size`.

    Returns
    -------
    Evidence

    Raises
    ------
    InferenceError
        If the arrays do not fit together, or the known specimens are too few.
    """
    Y = check_matrix(Y)
    queries = check_matrix(queries, name="queries", least=1, n_variables=Y.shape[1])
    if (size is None) != (query_size is None):
        raise InferenceError("`size` and `query_size` are given together or not at all.")
    sizes = None if size is None else check_size(size, len(Y))
    at = None if query_size is None else check_size(query_size, len(queries))
    Y, queries = _small_side(Y, queries)
    axes = np.linalg.svd(Y - Y.mean(axis=0), full_matrices=False)[2][: shared_axes or n_axes].T
    model = Membership().fit(Y, Y @ axes, labels, sizes)
    return model.evidence(queries, queries @ axes, at, own_axes=n_axes)
