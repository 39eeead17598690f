"""Missing landmarks: what is there, and what all share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["enough_present", "landmarks_present"]

# Thickness of the landmarks left, as a share of their length, below which they are flat.
_FLAT = 1e-3


def landmarks_present(X: ArrayLike) -> NDArray[np.bool_]:
    """Whether each landmark of each specimen has all its coordinates.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing coordinates are NaN.

    Returns
    -------
    ndarray of bool, of shape (n_specimens, n_landmarks)
    """
    return ~np.isnan(np.asarray(X, dtype=float)).any(axis=2)


def enough_present(X: ArrayLike) -> NDArray[np.bool_]:
    """Whether the landmarks left of each specimen suffice to place the missing ones.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Missing landmarks are NaN.

    Returns
    -------
    ndarray of bool, of shape (n_specimens,)
        True where the landmarks left span all dimensions: in space at least four that are
        not near one plane (their thickness is over a thousandth of their length).
    """
    X = np.asarray(X, dtype=float)
    present = landmarks_present(X)[..., None]
    counts = present.sum(axis=1)
    centres = np.where(present, X, 0).sum(axis=1) / np.maximum(counts, 1)
    spread = np.linalg.svd(np.where(present, X - centres[:, None], 0), compute_uv=False)
    return (counts[:, 0] > X.shape[2]) & (spread[:, -1] > _FLAT * spread[:, 0])
