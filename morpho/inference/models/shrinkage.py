"""A covariance that few specimens and many coordinates allow: shrunken towards a round one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ShrunkenCovariance", "shrinkage"]

Array = NDArray[np.float64]

# Axes along which the sample varies less than this, as a share of the first, it does not vary.
_FLAT = 1e-10
# The least that is left of the round part, as a share of the mean variance: with many specimens
# and few coordinates nothing need be shrunken, and directions without variation stay finite.
_LEAST = 1e-9


def shrinkage(residuals: Array) -> float:
    r"""Weight of the round covariance that is best in expected square, after Ledoit and Wolf.

    With :math:`S` the products of the residuals by their number :math:`n`, :math:`\mu` its mean
    variance, :math:`\delta^2 = \lVert S - \mu I \rVert^2 / p` and
    :math:`\beta^2 = \frac{1}{n^2 p} \sum_i \lVert r_i r_i^\top - S \rVert^2`, the weight is
    :math:`\min(\beta^2, \delta^2) / \delta^2`.

    Parameters
    ----------
    residuals : ndarray of shape (n_specimens, n_variables)

    Returns
    -------
    float
        From 0 to 1; 1 where all variances are alike.

    References
    ----------
    Ledoit, O. & Wolf, M. (2004). Journal of Multivariate Analysis 88, 365-411.
    """
    n, p = residuals.shape
    products = residuals @ residuals.T if p > n else residuals.T @ residuals
    total = float((products**2).sum()) / n**2
    squares = (residuals**2).sum(axis=1)
    mean = float(squares.sum()) / n / p
    off = total / p - mean**2
    if off <= 0:
        return 1.0
    noise = (float((squares**2).sum()) / n - total) / p / n
    return float(np.clip(noise / off, 0.0, 1.0))


@dataclass(frozen=True)
class ShrunkenCovariance:
    r"""The covariance :math:`(1 - \rho) S + \rho \mu I` of residuals, by its principal axes.

    Attributes
    ----------
    axes : ndarray of shape (n_variables, n_axes)
        Orthonormal: those along which the residuals vary.
    variances : ndarray of shape (n_axes,)
        Of the residuals along them, by their degrees of freedom.
    floor : float
        :math:`\rho \mu`, the variance in every other direction.
    weight : float
        :math:`\rho`.
    """

    axes: Array
    variances: Array
    floor: float
    weight: float

    @classmethod
    def of(cls, residuals: Array, degrees_of_freedom: int) -> ShrunkenCovariance:
        """Estimate it.

        Parameters
        ----------
        residuals : ndarray of shape (n_specimens, n_variables)
            Some of which vary.
        degrees_of_freedom : int

        Returns
        -------
        ShrunkenCovariance
        """
        _, lengths, axes = np.linalg.svd(residuals, full_matrices=False)
        some = lengths > _FLAT * lengths[0]
        variances = lengths[some] ** 2 / degrees_of_freedom
        mean = float(variances.sum()) / residuals.shape[1]
        weight = shrinkage(residuals)
        return cls(axes[some].T, variances, max(weight, _LEAST) * mean, weight)

    def split(self, vectors: Array) -> tuple[Array, Array]:
        """What of vectors lies along the axes, and what beyond them.

        Parameters
        ----------
        vectors : ndarray of shape (..., n_variables)

        Returns
        -------
        along : ndarray of shape (..., n_axes)
        beyond : ndarray of shape (..., n_variables)
            Zero where the axes span everything.
        """
        along = vectors @ self.axes
        if self.axes.shape[1] == len(self.axes):
            return along, np.zeros_like(vectors)
        return along, vectors - along @ self.axes.T

    def spectrum(self, factor: float = 1.0) -> Array:
        """Variances along the axes.

        Parameters
        ----------
        factor : float
            By which the variances of the residuals are to be multiplied first.

        Returns
        -------
        ndarray of shape (n_axes,)
        """
        return (1 - self.weight) * factor * self.variances + self.floor
