"""Placing queries among the known taxa."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.allometry import check_size
from morpho.inference.design import InferenceError, check_matrix
from morpho.inference.membership import Evidence, Membership
from morpho.inference.ordination import ShapeSpace, most_axes

__all__ = ["COVARIANCES", "axes_within_taxa", "place_queries"]

Array = NDArray[np.float64]

COVARIANCES = ("pooled", "shrunken", "own")

_TIE = 1e-10


def axes_within_taxa(
    Y: ArrayLike,
    labels: ArrayLike,
    size: ArrayLike | None = None,
    *,
    axes: str = "share",
    share: float = 0.9,
    most: int = 10,
    own_slopes: Sequence[str] = (),
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
    own_slopes : sequence of str
        Taxa with a growth line of their own.

    Returns
    -------
    n_axes : int
    share : float
        Share of the variance within taxa that lies along them.
    """
    Y = check_matrix(Y)
    residuals = Membership().fit(Y, Y[:, :1], labels, size, own_slopes=own_slopes).residuals_
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


def _shrunken_covariance(rest: Array, width: int) -> Array:
    """Covariance by Ledoit and Wolf of centred data in the span that they have.

    As `sklearn.covariance.ledoit_wolf` finds it with all of `width` variables at hand, most of
    them without variation; it does not hang on how many the span is written down with.
    """
    S = rest.T @ rest / len(rest)
    mean = np.trace(S) / width
    away = (S**2).sum() - width * mean**2
    noise = (((rest**2).sum(axis=1) ** 2).mean() - (S**2).sum()) / len(rest)
    shrinkage = min(noise, away) / away if away > 0 else 0.0
    return (1 - shrinkage) * S + shrinkage * mean * np.eye(len(S))


def _shrunken_ranks(model: Membership, queries: Array, at: Array | None, width: int) -> Array:
    """Pooled rank p-values by Mahalanobis distance with a shrunken covariance."""
    where = model._places(at, len(queries))
    h = (where**2).sum(axis=2)
    p = np.empty(h.shape)
    for i, g in np.ndindex(h.shape):
        e = queries[i] - where[i, g] @ model.fits_[0]
        c = model.basis_ @ where[i, g] / (1 + h[i, g])
        rest = np.vstack([model.residuals_ - c[:, None] * e, e / (1 + h[i, g])])
        room = np.append(1 - model.leverages_ + c**2 * (1 + h[i, g]), 1 / (1 + h[i, g]))
        inverse = np.linalg.pinv(_shrunken_covariance(rest, width), hermitian=True)
        d = np.einsum("ni,ij,nj->n", rest, inverse, rest)
        judged = room > 1e-9
        d = np.where(judged, d / np.where(judged, room, 1.0), -np.inf)
        p[i, g] = np.count_nonzero(d >= d[-1] * (1 - _TIE)) / np.count_nonzero(judged)
    return p


def _own_typicality(
    Y: Array, labels: NDArray, queries: Array, size: Array | None, at: Array | None, n_axes: int
) -> Array:
    """Typicality in each taxon by the covariance of that taxon alone."""
    p = np.full((len(queries), len(np.unique(labels))), np.nan)
    for g, taxon in enumerate(np.unique(labels)):
        members = labels == taxon
        count = min(n_axes, most_axes(int(members.sum()), 1, n_axes))
        sizes = None if size is None else size[members]
        try:
            model = Membership().fit(Y[members], Y[members][:, :1], labels[members], sizes)
        except InferenceError:  # too few, or of one size
            continue
        found = model.evidence(queries, queries[:, :1], at, own_axes=count)
        p[:, g] = found.typicality_probability[:, 0]
    return p


def place_queries(
    Y: ArrayLike,
    labels: ArrayLike,
    queries: ArrayLike,
    *,
    n_axes: int,
    shared_axes: int | None = None,
    size: ArrayLike | None = None,
    query_size: ArrayLike | None = None,
    own_slopes: Sequence[str] = (),
    covariance: str = "pooled",
    within_sizes: bool = False,
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
    own_slopes : sequence of str
        Taxa with a growth line of their own, see `slopes.own_slope_taxa`.
    covariance : {'pooled', 'shrunken', 'own'}
        Within-taxon covariance behind the test of each taxon. 'pooled': typicality, and the
        pooled rank beside it. 'shrunken': in place of both, the pooled rank of Mahalanobis
        distances with the covariance of all of shape space shrunken (Ledoit & Wolf 2004,
        Journal of Multivariate Analysis 88, 365-411), the query counted as a member. 'own':
        typicality with the covariance of the taxon alone, on as many axes as it carries; the
        pooled rank where it has too few specimens.
    within_sizes : bool
        Read growth lines off at the nearest size measured of the taxon, not beyond; with the
        pooled covariance.

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
    if covariance not in COVARIANCES:
        raise InferenceError(f"`covariance` must be one of {COVARIANCES}, not {covariance!r}.")
    sizes = None if size is None else check_size(size, len(Y))
    at = None if query_size is None else check_size(query_size, len(queries))
    width = Y.shape[1]
    Y, queries = _small_side(Y, queries)
    axes = np.linalg.svd(Y - Y.mean(axis=0), full_matrices=False)[2][: shared_axes or n_axes].T
    model = Membership().fit(Y, Y @ axes, labels, sizes, own_slopes=own_slopes)
    found = model.evidence(queries, queries @ axes, at, own_axes=n_axes, within_sizes=within_sizes)
    if covariance == "pooled":
        return found
    if covariance == "shrunken":
        p = _shrunken_ranks(model, queries, at, width)
        return replace(found, typicality_probability=np.full(p.shape, np.nan), p_value=p)
    own = _own_typicality(Y, np.asarray(labels).astype(str), queries, sizes, at, n_axes)
    p = np.where(np.isnan(own), found.pooled_rank_p_value, own)
    return replace(found, typicality_probability=own, p_value=p)
