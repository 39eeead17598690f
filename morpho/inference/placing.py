"""Placing queries: for each taxon, axes found as if the query belonged to it, then the evidence."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.allometry import check_size
from morpho.inference.design import InferenceError, check_matrix, indicator, term_basis
from morpho.inference.membership import Evidence, Membership

__all__ = ["place_queries"]

Array = NDArray[np.float64]

# Fields of the evidence that speak of the taxa alone, and are the same for each query.
_OF_TAXA = ("taxa", "specimens", "rank_floor")


def _within_axes(Y: Array, columns: Array, size: Array | None, n_axes: int) -> Array:
    """First principal axes of the variation within taxa (and along one slope), as columns."""
    basis = columns / np.sqrt(columns.sum(axis=0))
    if size is not None:
        basis = np.hstack([basis, term_basis(size[:, None], basis)])
    residuals = Y - basis @ (basis.T @ Y)
    return np.linalg.svd(residuals, full_matrices=False)[2][:n_axes].T


def _principal_axes(Y: Array, n_axes: int) -> Array:
    return np.linalg.svd(Y - Y.mean(axis=0), full_matrices=False)[2][:n_axes].T


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
    size: ArrayLike | None = None,
    query_size: ArrayLike | None = None,
) -> Evidence:
    """Evidence for and against each query in each taxon.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates of the known specimens.
    labels : array-like of shape (n_specimens,)
        Their taxa.
    queries : array-like of shape (n_queries, n_variables)
    n_axes : int
        Number of axes on which distances are measured in standard deviations.
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

    Notes
    -----
    Under the hypothesis that the query belongs to a taxon it is one more member of it.
    The axes of that comparison are the principal axes of the variation within taxa *with
    the query among the taxon's members*, so that all specimens have the same part in them
    and members of the taxon and query are exchangeable (see `Membership`). Axes of the
    known specimens alone follow the accidents of that sample: a new member falls short of
    them, and a new form in a direction of its own has hardly any extent on them. The
    superimposition, the tangent space, and the means, slope and covariance that the query
    is measured by remain those of the known specimens.

    Posterior probabilities compare taxa with one another and need one set of axes for all:
    the principal axes of the known specimens.
    """
    Y = check_matrix(Y)
    queries = check_matrix(queries, name="queries", least=1, n_variables=Y.shape[1])
    if (size is None) != (query_size is None):
        raise InferenceError("`size` and `query_size` are given together or not at all.")
    sizes = None if size is None else check_size(size, len(Y))
    at = None if query_size is None else check_size(query_size, len(queries))
    Y, queries = _small_side(Y, queries)
    taxa, columns = indicator(labels, len(Y))

    shared = _principal_axes(Y, n_axes)
    common = Membership().fit(Y, Y @ shared, labels, sizes).evidence(queries, queries @ shared, at)
    gathered = {
        field.name: np.array(getattr(common, field.name))
        for field in fields(Evidence)
        if field.name not in _OF_TAXA
    }
    for i, query in enumerate(queries[:, None]):
        here = None if at is None else at[i : i + 1]
        both = None if sizes is None or here is None else np.append(sizes, here)
        for g in range(len(taxa)):
            joined = np.vstack([columns, np.eye(len(taxa))[g]])
            axes = _within_axes(np.vstack([Y, query]), joined, both, n_axes)
            model = Membership().fit(Y, Y @ axes, labels, sizes)
            one = model.evidence(query, query @ axes, here)
            for name, values in gathered.items():
                if name != "posterior_probability":
                    values[i, g] = getattr(one, name)[0, g]
    return Evidence(**gathered, **{name: getattr(common, name) for name in _OF_TAXA})
