"""Missing landmarks: what is there, and what all share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["landmarks_present", "share_present"]


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


def share_present(X: ArrayLike) -> NDArray[np.float64]:
    """Share of the landmarks that each specimen has, from 0 to 1.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)

    Returns
    -------
    ndarray of shape (n_specimens,)
    """
    return landmarks_present(X).mean(axis=1)
