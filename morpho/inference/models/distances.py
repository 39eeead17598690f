"""Distances in standard deviations, and how far out a member would lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

__all__ = ["squared_mahalanobis", "typicality"]

Array = NDArray[np.float64]


def typicality(squared_distance: ArrayLike, p: int, v: int, leverage: ArrayLike) -> Array:
    r"""Typicality probability: how often a member would lie at least as far out.

    .. math:: \frac{D^2}{1 + h} \cdot \frac{v - p + 1}{v\,p} \sim F(p,\ v - p + 1)

    for a new observation at squared Mahalanobis distance :math:`D^2` from its
    predicted place, with a covariance matrix on :math:`v` degrees of freedom and
    :math:`h` the leverage of the observation: :math:`1/n_g` where the prediction is
    the mean of :math:`n_g` specimens, more where a regression is read off away from
    its middle. For one group it is Hotelling's :math:`T^2` of a new observation.

    Parameters
    ----------
    squared_distance : array-like
        Squared Mahalanobis distances.
    p : int
        Number of variables.
    v : int
        Degrees of freedom of the covariance matrix.
    leverage : array-like
        Broadcast against the distances.

    Returns
    -------
    ndarray
        Probabilities; NaN where v < p, as the sample is then too small.

    References
    ----------
    McLachlan, G. J. (1992). Discriminant Analysis and Statistical Pattern Recognition:
    typicality. Anderson, T. W. (2003). An Introduction to Multivariate Statistical Analysis,
    3rd ed.: the distribution.

    Examples
    --------
    >>> float(typicality(0.0, p=2, v=20, leverage=0.1))
    1.0
    """
    squared_distance = np.asarray(squared_distance, dtype=float)
    if v < p:
        return np.full(squared_distance.shape, np.nan)
    F = squared_distance / (1 + np.asarray(leverage)) * (v - p + 1) / (v * p)
    return fdtrc(p, v - p + 1, F)


def squared_mahalanobis(rest: Array, z: Array, v: int) -> Array:
    """Squared Mahalanobis distances by the covariance of residuals.

    Parameters
    ----------
    rest : ndarray of shape (n_specimens, n_axes)
        Residuals of known specimens.
    z : ndarray of shape (n_queries, n_taxa, n_axes)
        Deviations of the queries.
    v : int
        Degrees of freedom of the residuals.

    Returns
    -------
    ndarray of shape (n_queries, n_taxa)
        NaN where the covariance is singular.
    """
    p = z.shape[-1]
    covariance = rest.T @ rest / v
    if v < p or np.linalg.matrix_rank(covariance, hermitian=True) < p:
        return np.full(z.shape[:-1], np.nan)
    return np.einsum("qgi,qgi->qg", z, np.linalg.solve(covariance, z[..., None])[..., 0])
