"""Principal axes of a sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

__all__ = ["narrow", "principal_axes"]

Array = NDArray[np.float64]


def narrow(Y: Array) -> Array:
    """Rows with the same inner products, in no more columns than there are rows.

    Parameters
    ----------
    Y : ndarray of shape (n_specimens, n_variables)

    Returns
    -------
    ndarray of shape (n_specimens, min(n_specimens, n_variables))
    """
    n, m = Y.shape
    return Y if m <= n else np.asarray(np.linalg.qr(Y.T, mode="r")).T


def principal_axes(Y: Array, n_axes: int) -> Array:
    """First principal axes, by the smaller of the two matrices of products.

    Parameters
    ----------
    Y : ndarray of shape (n_specimens, n_variables)
    n_axes : int
        No more are given than specimens or variables.

    Returns
    -------
    ndarray of shape (n_variables, n_axes)
        Orthonormal; the largest first.
    """
    n, m = Y.shape
    Y = Y - Y.mean(axis=0)
    products = Y @ Y.T if m > n else Y.T @ Y
    few = [max(len(products) - n_axes, 0), len(products) - 1]
    found = eigh(products, subset_by_index=few)[1][:, ::-1]
    return np.linalg.qr(Y.T @ found)[0] if m > n else found
