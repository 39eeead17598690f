"""Replicates: one configuration a specimen from several digitisations."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.rotation import best_rotations

__all__ = ["average_replicates", "rigidly_onto"]

Array = NDArray[np.float64]


def rigidly_onto(X: Array, target: Array) -> Array:
    """Move and turn a configuration onto another by the landmarks that both have; size is kept.

    Parameters
    ----------
    X, target : ndarray of shape (n_landmarks, n_dimensions)
        Missing landmarks are NaN.

    Returns
    -------
    ndarray of shape (n_landmarks, n_dimensions)
        NaN throughout where fewer than three landmarks are shared.
    """
    both = ~np.isnan(X).any(axis=1) & ~np.isnan(target).any(axis=1)
    if both.sum() < 3:
        return np.full_like(X, np.nan)
    here, there = X[both].mean(axis=0), target[both].mean(axis=0)
    cross = (X[both] - here).T @ (target[both] - there)
    return (X - here) @ best_rotations(cross[None])[0] + there


def average_replicates(replicates: ArrayLike) -> Array:
    """Average the digitisations of one specimen, landmark by landmark.

    Replicates may lie in different poses (a bone scanned twice): each is moved and
    turned onto the running average by the landmarks they share, without change of
    size, and the average is taken over the replicates that have the landmark.

    Parameters
    ----------
    replicates : array-like of shape (n_replicates, n_landmarks, n_dimensions)
        Missing landmarks are NaN.

    Returns
    -------
    ndarray of shape (n_landmarks, n_dimensions)
        The average, in the pose of the most complete replicate; a landmark that no
        replicate has stays NaN.

    Raises
    ------
    ValueError
        If there is no replicate.

    Notes
    -----
    The rotation without scaling is the rigid fit of Kabsch (1976), Acta
    Crystallographica Section A 32(5), 922-923. It is repeated until the average stands still.
    """
    X = np.asarray(replicates, dtype=float)
    if X.ndim != 3 or len(X) == 0:
        raise ValueError(f"`replicates` must hold at least one (k, d) array, got {X.shape}.")
    if len(X) == 1:
        return X[0].copy()
    average = X[np.isnan(X).any(axis=2).sum(axis=1).argmin()].copy()
    for _ in range(50):
        moved = np.stack([rigidly_onto(x, average) for x in X])
        counts = (~np.isnan(moved)).sum(axis=0)
        updated = np.where(counts > 0, np.nansum(moved, axis=0) / np.maximum(counts, 1), np.nan)
        both = ~np.isnan(updated) & ~np.isnan(average)
        scale = float(np.abs(updated[both]).max())
        done = both.sum() == (~np.isnan(updated)).sum() and np.allclose(
            updated[both], average[both], rtol=0, atol=1e-12 * scale
        )
        average = np.where(np.isnan(updated), average, updated)
        if done:
            break
    return average
