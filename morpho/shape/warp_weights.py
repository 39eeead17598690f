"""Thin-plate splines as weights: what each target landmark adds to a warped point."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError

__all__ = ["warp_weights"]

Array = NDArray[np.float64]


def _kernel(A: Array, B: Array) -> Array:
    """Kernel between points: -r in space, r^2 log r in the plane; signs do not matter."""
    squared = ((A[:, :, None] - B[:, None]) ** 2).sum(axis=-1)
    if A.shape[2] == 3:
        return np.sqrt(squared)
    return squared * np.log(np.where(squared > 0, squared, 1.0)) / 2


def warp_weights(sources: ArrayLike, points: ArrayLike) -> Array:
    r"""Weights that carry points of each source along when it is warped onto any target.

    A thin-plate spline is linear in its target: the points land at ``weights @ target``. One
    system of equations for each source then serves all targets, as when many specimens are
    estimated from one another.

    Parameters
    ----------
    sources : array-like of shape (n_sources, n_landmarks, n_dimensions)
        Landmarks that span all dimensions.
    points : array-like of shape (n_sources, n_points, n_dimensions)

    Returns
    -------
    ndarray of shape (n_sources, n_points, n_landmarks)
        Each row sums to 1.

    Raises
    ------
    ShapeError
        If the landmarks of a source lie in one plane (line).

    Notes
    -----
    With :math:`L = \begin{pmatrix} K & Q \\ Q^\top & 0 \end{pmatrix}`, :math:`Q = (1, X)`, the
    weights are the first columns of :math:`(k(p, X), 1, p)\,L^{-1}` (Bookstein 1989, IEEE
    Transactions on Pattern Analysis and Machine Intelligence 11, 567-585).
    """
    X, P = np.asarray(sources, dtype=float), np.asarray(points, dtype=float)
    n, k, d = X.shape
    # about the centroid and to unit size: the weights stay, the equations are better set
    centre = X.mean(axis=1, keepdims=True)
    size = np.sqrt(((X - centre) ** 2).mean(axis=(1, 2), keepdims=True))
    X, P = (X - centre) / size, (P - centre) / size

    def affine(A: Array) -> Array:
        return np.concatenate([np.ones((*A.shape[:2], 1)), A], axis=2)

    L = np.zeros((n, k + d + 1, k + d + 1))
    L[:, :k, :k] = _kernel(X, X)
    L[:, :k, k:] = affine(X)
    L[:, k:, :k] = affine(X).transpose(0, 2, 1)
    right = np.concatenate([_kernel(P, X), affine(P)], axis=2)
    try:
        weights = np.linalg.solve(L, right.transpose(0, 2, 1)).transpose(0, 2, 1)[..., :k]
    except np.linalg.LinAlgError:
        raise ShapeError(
            "The landmarks that a spline starts from lie in one plane, or two at one place.",
            "plane",
        ) from None
    return weights
