"""Tangent space of shape space at the mean."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.contract import Transformer, check_is_fitted

__all__ = ["TangentSpace"]

Array = NDArray[np.float64]


class TangentSpace(Transformer):
    r"""Project superimposed configurations orthogonally onto the tangent at a pole.

    Parameters
    ----------
    pole : array-like of shape (n_landmarks, n_dimensions), optional
        Point of contact: a configuration of unit centroid size. By default the mean
        of the configurations given to `fit`.

    Attributes
    ----------
    pole_ : ndarray of shape (n_landmarks, n_dimensions)
        Point of contact, of unit size.

    Notes
    -----
    With :math:`m` the pole and :math:`x` a superimposed configuration of unit size,
    both as vectors, the tangent coordinates are :math:`v = (I - m m^\top) x`
    (Dryden & Mardia 2016, Statistical Shape Analysis, 2nd ed.: partial
    Procrustes tangent coordinates). They are deviations from the mean shape, without
    unit. The way back is :math:`x = v + m \sqrt{1 - \lVert v \rVert^2}`.

    Examples
    --------
    >>> import numpy as np
    >>> from morpho.shape.superimposition import GeneralizedProcrustes
    >>> rng = np.random.default_rng(0)
    >>> bones = rng.normal(size=(5, 3)) + 0.05 * rng.normal(size=(20, 5, 3))
    >>> aligned = GeneralizedProcrustes().fit_transform(bones)
    >>> space = TangentSpace().fit(aligned)
    >>> np.allclose(space.inverse_transform(space.transform(aligned)), aligned)
    True
    """

    def __init__(self, *, pole: ArrayLike | None = None) -> None:
        self.pole = pole

    def fit(self, X: ArrayLike, y: Any = None) -> TangentSpace:
        """Set the pole.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Superimposed configurations of unit size.
        y : ignored

        Returns
        -------
        self

        Raises
        ------
        ShapeError
            If `X` holds no proper configurations, or the pole other landmarks.
        """
        X = check_configurations(X)
        pole = X.mean(axis=0) if self.pole is None else np.asarray(self.pole, dtype=float)
        if pole.shape != X.shape[1:]:
            raise ShapeError(f"`pole` must have shape {X.shape[1:]}, but has shape {pole.shape}.")
        length = float(np.linalg.norm(pole))
        if not (np.isfinite(length) and length > 0):
            raise ShapeError("`pole` must be a configuration with a size, without missing values.")
        self.pole_ = pole / length
        return self

    def transform(self, X: ArrayLike) -> Array:
        """Tangent coordinates of superimposed configurations.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)

        Returns
        -------
        ndarray of shape (n_specimens, n_landmarks * n_dimensions)

        Raises
        ------
        ShapeError
            If `X` holds no proper configurations, or not the landmarks of the pole.
        """
        check_is_fitted(self)
        k, d = self.pole_.shape
        X = check_configurations(X, n_landmarks=k, n_dimensions=d)
        flat = X.reshape(len(X), -1)
        pole = self.pole_.ravel()
        return flat - np.outer(flat @ pole, pole)

    def inverse_transform(self, V: ArrayLike) -> Array:
        """Configurations of unit size at tangent coordinates.

        Parameters
        ----------
        V : array-like of shape (n_shapes, n_landmarks * n_dimensions)

        Returns
        -------
        ndarray of shape (n_shapes, n_landmarks, n_dimensions)

        Raises
        ------
        ShapeError
            If a shape lies further from the pole than any shape can (length over 1).
        """
        check_is_fitted(self)
        V = np.atleast_2d(np.asarray(V, dtype=float))
        squared = (V**2).sum(axis=1)
        if (squared > 1).any():
            raise ShapeError("A tangent vector is longer than 1: no shape projects there.")
        X = V + np.sqrt(1 - squared)[:, None] * self.pole_.ravel()
        return X.reshape(-1, *self.pole_.shape)
