"""Growth and size: the common slope within taxa, scores along it, shapes without it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.design import InferenceError, check_matrix, indicator
from morpho.shape.contract import Estimator, check_is_fitted

__all__ = ["CommonSlope", "check_size", "regression_score"]

Array = NDArray[np.float64]


def check_size(size: ArrayLike, n: int) -> Array:
    """Return `size` as `n` finite numbers.

    Parameters
    ----------
    size : array-like of shape (n_specimens,)
    n : int

    Returns
    -------
    ndarray of shape (n_specimens,)

    Raises
    ------
    InferenceError
        If it is not that.
    """
    size = np.asarray(size, dtype=float)
    if size.shape != (n,):
        raise InferenceError(f"`size` must have shape ({n},), but has shape {size.shape}.")
    if not np.isfinite(size).all():
        raise InferenceError("`size` holds missing or infinite values.")
    return size


def regression_score(Y: ArrayLike, slope: ArrayLike) -> Array:
    r"""Scores along the direction in which shape changes with size.

    :math:`s = Y b / \lVert b \rVert` with slope vector :math:`b` (Drake & Klingenberg
    2008, Proceedings of the Royal Society B: Biological Sciences 275(1630), 71-76).

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
    slope : array-like of shape (n_variables,)

    Returns
    -------
    ndarray of shape (n_specimens,)

    Raises
    ------
    InferenceError
        If the slope has no length.
    """
    slope = np.asarray(slope, dtype=float)
    length = float(np.linalg.norm(slope))
    if not length > 0:
        raise InferenceError(
            "The slope has no length: shape does not change with size.", "no_slope"
        )
    return check_matrix(Y, least=1) @ slope / length


class CommonSlope(Estimator):
    r"""Shape on size with one slope for all taxa and a mean for each.

    Attributes
    ----------
    groups_ : ndarray of shape (n_groups,)
    slope_ : ndarray of shape (n_variables,)
        Change of shape per unit of size.
    mean_size_ : float
        Mean size over all specimens.
    size_range_ : tuple of float
        Smallest and largest size of the fit.
    group_means_ : ndarray of shape (n_groups, n_variables)
        Shape of each taxon at the mean size.

    Notes
    -----
    The model is :math:`y_i = \mu_{g(i)} + b\,(x_i - \bar x) + e_i`, with
    :math:`b = \sum (x_i - \bar x_g)(y_i - \bar y_g) / \sum (x_i - \bar x_g)^2`: the
    pooled within-group regression of analysis of covariance (Klingenberg 2016,
    Development Genes and Evolution 226(3), 113-137, on allometry within and among groups).
    Size is the
    natural logarithm of centroid size.

    Examples
    --------
    >>> import numpy as np
    >>> size = np.array([1.0, 2.0, 1.0, 2.0])
    >>> Y = np.array([[1.0], [3.0], [5.0], [7.0]])
    >>> CommonSlope().fit(Y, size, ["a", "a", "b", "b"]).slope_
    array([2.])
    """

    def fit(self, Y: ArrayLike, size: ArrayLike, groups: ArrayLike) -> CommonSlope:
        """Learn the slope.

        Parameters
        ----------
        Y : array-like of shape (n_specimens, n_variables)
        size : array-like of shape (n_specimens,)
            Log centroid sizes.
        groups : array-like of shape (n_specimens,)

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If sizes do not vary within any group, or the arrays do not fit together.
        """
        Y = check_matrix(Y)
        size = check_size(size, len(Y))
        self.groups_, columns = indicator(groups, len(Y))
        counts = columns.sum(axis=0)
        size_means = columns.T @ size / counts
        shape_means = (columns.T @ Y) / counts[:, None]
        x = size - columns @ size_means
        squares = float(x @ x)
        if not squares > 1e-12 * max(1.0, float(size @ size)):
            raise InferenceError(
                "Sizes do not vary within any group: no slope can be found.", "one_size"
            )
        self.slope_ = x @ (Y - columns @ shape_means) / squares
        self.mean_size_ = float(size.mean())
        self.size_range_ = (float(size.min()), float(size.max()))
        self.group_means_ = shape_means - np.outer(size_means - self.mean_size_, self.slope_)
        return self

    def remove(self, Y: ArrayLike, size: ArrayLike) -> Array:
        """Shapes as they would be at the mean size.

        Parameters
        ----------
        Y : array-like of shape (n_specimens, n_variables)
        size : array-like of shape (n_specimens,)

        Returns
        -------
        ndarray of shape (n_specimens, n_variables)
        """
        check_is_fitted(self)
        Y = check_matrix(Y, least=1)
        return Y - np.outer(check_size(size, len(Y)) - self.mean_size_, self.slope_)

    def predict(self, size: ArrayLike, group: str) -> Array:
        """Shapes of a taxon at given sizes.

        Parameters
        ----------
        size : array-like of shape (n_shapes,)
        group : str

        Returns
        -------
        ndarray of shape (n_shapes, n_variables)

        Raises
        ------
        InferenceError
            If the taxon was not in the fit.
        """
        check_is_fitted(self)
        where = np.flatnonzero(self.groups_ == group)
        if not where.size:
            raise InferenceError(f"No group {group!r}; there are {self.groups_.tolist()}.")
        size = np.atleast_1d(np.asarray(size, dtype=float))
        return self.group_means_[where[0]] + np.outer(size - self.mean_size_, self.slope_)

    def extrapolates(self, size: ArrayLike) -> NDArray[np.bool_]:
        """Whether sizes lie outside those that the slope was learned from.

        Parameters
        ----------
        size : array-like of shape (n_shapes,)

        Returns
        -------
        ndarray of bool, of shape (n_shapes,)
        """
        check_is_fitted(self)
        size = np.asarray(size, dtype=float)
        return (size < self.size_range_[0]) | (size > self.size_range_[1])
