"""Superimposition that a few misplaced landmarks do not drag along, and medians of points."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.missing import landmarks_present
from morpho.shape.rotation import best_rotations

__all__ = ["resistant_fit", "spatial_median"]

Array = NDArray[np.float64]

_PASSES = 15
# Median distances beyond which a landmark counts for nothing.
_REACH = 4.0
# Distances below this share of a configuration's geometric mean distance weigh no more than it.
_FLOOR = 0.05
# Landmarks, spread evenly over the list, whose pairs tell the scale.
_PAIRED = 40
# Median radii to which landmarks are drawn in for the start.
_LONGEST = 3.0


def _middle_scales(A: Array, B: Array, both: NDArray[np.bool_]) -> Array:
    """Median over pairs of landmarks of the ratio of their distances, target over specimen."""
    k = both.shape[1]
    chosen = np.linspace(0, k - 1, min(k, _PAIRED)).astype(int)
    first, second = (chosen[index] for index in np.triu_indices(len(chosen), 1))
    here = np.linalg.norm(A[:, first] - A[:, second], axis=2)
    there = np.linalg.norm(B[:, first] - B[:, second], axis=2)
    usable = both[:, first] & both[:, second] & (here > 0) & (there > 0)
    logs = np.where(
        usable, np.log(np.where(usable, there / np.where(here > 0, here, 1), 1)), np.inf
    )
    logs.sort(axis=1)
    counts = usable.sum(axis=1)
    rows = np.arange(len(A))
    low, high = np.maximum(counts - 1, 0) // 2, np.minimum(counts // 2, logs.shape[1] - 1)
    with np.errstate(over="ignore"):
        middle = np.exp((logs[rows, low] + logs[rows, high]) / 2)
    return np.where(counts > 0, middle, 1.0)


def _towards_middle(Z: Array, both: NDArray[np.bool_]) -> Array:
    """Deviations from the spatial median of each configuration, none more than a few radii long."""
    middles = spatial_median(np.where(both[..., None], Z, np.nan).transpose(1, 0, 2))
    Z = np.where(both[..., None], Z - np.nan_to_num(middles)[:, None], 0.0)
    lengths = np.linalg.norm(Z, axis=2)
    counts = both.sum(axis=1)
    ordered = np.sort(np.where(both, lengths, np.inf), axis=1)
    usual = ordered[np.arange(len(Z)), np.maximum(counts - 1, 0) // 2]
    most = _LONGEST * np.where(counts > 0, usual, 1.0)[:, None]
    return Z * np.minimum(1, most / np.maximum(lengths, 1e-300))[..., None]


def resistant_fit(X: ArrayLike, targets: ArrayLike) -> tuple[Array, Array]:
    r"""Bring configurations onto targets so that misplaced landmarks do not count for much.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.
    targets : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Or a single one for all, of shape (1, n_landmarks, n_dimensions).

    Returns
    -------
    aligned : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
    scales : ndarray of shape (n_specimens,)
        What each configuration was multiplied by.

    Notes
    -----
    The scale :math:`s` is the median, over pairs of landmarks, of the ratio of their distances
    on target and specimen: a resistant fit (Rohlf & Slice 1990, Systematic Zoology 39(1), 40-59,
    after one of Siegel and Benson). With a scale fitted together with the rest, a few landmarks
    far away would shrink the bone to a point.

    Rotation, with :math:`\det R = +1`, and translation come from least squares repeated with
    weights that depend on the distances :math:`r_j = \lVert s x_j R + t - m_j \rVert` over
    landmarks that both have: first :math:`1 / \max(r_j, \epsilon)`, which makes the sum
    of distances least (Schlossmacher 1973, Journal of the American Statistical Association
    68, 857-859), from a start in which landmarks far from the middle are drawn in. Such a fit
    passes through some landmarks and leaves all misfit to others, so that it is only where
    the second weights start from: :math:`(1 - r_j^2 / (4 m)^2)^2`, and 0 beyond, with
    :math:`m` the median distance (Beaton & Tukey 1974, Technometrics 16(2), 147-185), by which
    sound landmarks count alike and misplaced ones not at all.
    """
    X = np.asarray(X, dtype=float)
    M = np.broadcast_to(np.asarray(targets, dtype=float), X.shape)
    both = landmarks_present(X) & landmarks_present(M)
    A, B = np.where(both[..., None], X, 0.0), np.where(both[..., None], M, 0.0)
    scales = _middle_scales(A, B, both)
    A = A * scales[:, None, None]
    start = _towards_middle(A, both), _towards_middle(B, both)
    R = best_rotations(np.einsum("nki,nkj->nij", *start))
    # translation of the start: between the landmarks' middles
    weights = both / np.maximum(np.linalg.norm(start[0] @ R - start[1], axis=2), 1e-300)
    weights = np.minimum(weights, 1e6 * both / np.maximum(np.abs(B).max(initial=1e-300), 1e-300))
    counts = both.sum(axis=1, keepdims=True)
    rows = np.arange(len(X))
    for passes in range(2 * _PASSES):
        shares = weights / np.maximum(weights.sum(axis=1, keepdims=True), 1e-300)
        here = np.einsum("nk,nkd->nd", shares, A)
        there = np.einsum("nk,nkd->nd", shares, B)
        Z = A - here[:, None]
        W = B - there[:, None]
        R = best_rotations(np.einsum("nk,nki,nkj->nij", shares, Z, W))
        distances = np.linalg.norm(Z @ R - W, axis=2)
        if passes < _PASSES:
            logs = np.where(both, np.log(np.maximum(distances, 1e-300)), 0.0)
            usual = np.exp(logs.sum(axis=1, keepdims=True) / np.maximum(counts, 1))
            weights = both / np.maximum(distances, np.maximum(_FLOOR * usual, 1e-12))
        else:
            ordered = np.sort(np.where(both, distances, np.inf), axis=1)
            middle = ordered[rows, np.maximum(counts[:, 0] - 1, 0) // 2]
            reach = np.maximum(_REACH * np.where(counts[:, 0] > 0, middle, 1.0), 1e-12)[:, None]
            weights = both * np.maximum(1 - (distances / reach) ** 2, 0) ** 2
    aligned = (scales[:, None, None] * X - here[:, None]) @ R + there[:, None]
    return aligned, scales


def spatial_median(X: ArrayLike) -> Array:
    r"""Point of least summed distance to the specimens, landmark by landmark.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Superimposed; missing landmarks are NaN.

    Returns
    -------
    ndarray of shape (n_landmarks, n_dimensions)
        NaN where no specimen has the landmark.

    Notes
    -----
    Weiszfeld's iteration: the mean with weights :math:`1 / r_i` (Weiszfeld 1937, Tohoku
    Mathematical Journal 43, 355-386). Up to half of the specimens may be anywhere.
    """
    X = np.asarray(X, dtype=float)
    there = landmarks_present(X)
    A = np.where(there[..., None], X, 0.0)
    weights = there.astype(float)
    for _ in range(2 * _PASSES):
        total = weights.sum(axis=0)
        median = np.einsum("nk,nkd->kd", weights, A) / np.maximum(total, 1e-300)[:, None]
        distances = np.linalg.norm(A - median, axis=2)
        floor = 1e-6 * float(np.abs(A).max(initial=1e-300))
        weights = np.where(there, 1 / np.maximum(distances, floor), 0.0)
    median[~there.any(axis=0)] = np.nan
    return median
