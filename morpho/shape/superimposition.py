"""Generalized Procrustes superimposition."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.contract import Transformer, check_is_fitted
from morpho.shape.orientation import principal_frame
from morpho.shape.rotation import best_rotations

__all__ = ["GeneralizedProcrustes", "centroid_size", "procrustes_distance"]

Array = NDArray[np.float64]

# Specimens turned at a time where only their sum is kept.
_BLOCK = 64


def _standardize(X: Array) -> tuple[Array, Array]:
    """Centre and scale to unit centroid size; landmarks run along the last axis."""
    Z = X.transpose(0, 2, 1).copy()
    Z -= Z.mean(axis=2, keepdims=True)
    flat = Z.reshape(len(Z), -1)
    sizes = np.sqrt(np.vecdot(flat, flat))
    flat /= sizes[:, None]
    return Z, sizes


# Products run specimen by specimen: one large product with three columns would wake
# the threads of the linear algebra library, which cost more than they bring.
def _cross(Z: Array, mean: Array) -> Array:
    return Z @ mean


def _turned_sum(Z: Array, rotations: Array) -> Array:
    total = np.zeros(Z.shape[1:])
    for start in range(0, len(Z), _BLOCK):
        block = slice(start, start + _BLOCK)
        total += (rotations[block].transpose(0, 2, 1) @ Z[block]).sum(axis=0)
    return total.T


def _turn(Z: Array, rotations: Array) -> Array:
    return Z.transpose(0, 2, 1) @ rotations


def centroid_size(X: ArrayLike) -> Array:
    r"""Centroid size of each configuration.

    :math:`\mathrm{CS} = \sqrt{\sum_j \lVert x_j - \bar x \rVert^2}` over the
    landmarks :math:`j` (Bookstein 1991, Morphometric Tools for Landmark Data).

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)

    Returns
    -------
    ndarray of shape (n_specimens,)
        Sizes, in the unit of `X`.

    Raises
    ------
    ShapeError
        If `X` holds no proper configurations.

    Examples
    --------
    >>> square = [[[0, 0], [1, 0], [1, 1], [0, 1]]]
    >>> float(round(centroid_size(square)[0], 6))
    1.414214
    """
    X = check_configurations(X)
    return np.sqrt(((X - X.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2)))


def procrustes_distance(A: ArrayLike, B: ArrayLike, *, kind: str = "angle") -> Array:
    r"""Procrustes distance between pairs of configurations, without reflection.

    Parameters
    ----------
    A, B : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Compared one by one; either may hold a single configuration.
    kind : {'angle', 'partial', 'full'}
        The angle :math:`\rho` on the sphere of shapes, the chord between
        configurations of unit size, :math:`2 \sin(\rho / 2)`, or the distance with
        scale fitted as well, :math:`\sin \rho`.

    Returns
    -------
    ndarray of shape (n_specimens,)
        Distances, without unit.

    Raises
    ------
    ValueError
        If `kind` is unknown.
    ShapeError
        If `A` or `B` hold no proper configurations, or differ in landmarks or
        in specimens.

    References
    ----------
    Kendall, D. G. (1984). Bulletin of the London Mathematical Society 16, 81-121.
    Dryden, I. L. & Mardia, K. V. (2016). Statistical Shape Analysis, 2nd ed.:
    definitions of the three distances.
    """
    if kind not in ("angle", "partial", "full"):
        raise ValueError(f"`kind` must be 'angle', 'partial' or 'full', but is {kind!r}.")
    A = check_configurations(A, name="A")
    B = check_configurations(B, name="B", n_landmarks=A.shape[1], n_dimensions=A.shape[2])
    if len(A) != len(B) and 1 not in (len(A), len(B)):
        raise ShapeError(
            f"`A` and `B` are compared one by one, but hold {len(A)} and {len(B)} specimens."
        )
    a, b = _standardize(A)[0], _standardize(B)[0]
    a, b = np.broadcast_arrays(a, b)
    rotations = best_rotations(np.einsum("nik,njk->nij", a, b))
    chord = np.linalg.norm(_turn(a, rotations) - b.transpose(0, 2, 1), axis=(1, 2))
    if kind == "partial":
        return chord
    angle = 2 * np.arcsin(np.minimum(chord / 2, 1.0))
    return angle if kind == "angle" else np.sin(angle)


class GeneralizedProcrustes(Transformer):
    r"""Superimpose configurations on their own mean: translation, size, rotation.

    The mean shape is learned from the configurations given to `fit`; `transform`
    brings any configuration onto that mean and never moves it. Fit the known
    specimens, then transform known and query alike.

    Parameters
    ----------
    tolerance : float
        The iteration ends when the mean of unit size moves by less than this.
    max_iterations : int
        Passes at most.

    Attributes
    ----------
    mean_ : ndarray of shape (n_landmarks, n_dimensions)
        Mean shape: centred, of unit centroid size, turned to its principal axes.
    n_iterations_ : int
        Passes made.
    converged_ : bool
        Whether the tolerance was reached.
    change_ : float
        Last move of the mean.

    Notes
    -----
    Each pass fits every configuration :math:`X_i` (centred, of unit size) to the
    mean :math:`M` by the rotation that minimises :math:`\lVert X_i R_i - M
    \rVert`, and puts :math:`M \leftarrow \sum_i X_i R_i`, scaled to unit size.
    Reflection is never allowed, so a bone of the other side must be mirrored first.
    Rotations are carried as 3 x 3 matrices from pass to pass and the coordinates
    turned once, at the end: a pass is two matrix products.

    References
    ----------
    Gower, J. C. (1975). Generalized Procrustes analysis. Psychometrika 40, 33-51.
    Rohlf, F. J. & Slice, D. (1990). Extensions of the Procrustes method for the
    optimal superimposition of landmarks. Systematic Zoology 39(1), 40-59.
    Goodall, C. (1991). Procrustes methods in the statistical analysis of shape.
    Journal of the Royal Statistical Society: Series B (Methodological) 53, 285-339.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(0)
    >>> bones = rng.normal(size=(5, 3)) + 0.05 * rng.normal(size=(20, 5, 3))
    >>> aligned = GeneralizedProcrustes().fit_transform(bones)
    >>> aligned.shape
    (20, 5, 3)
    """

    def __init__(self, *, tolerance: float = 1e-10, max_iterations: int = 200) -> None:
        self.tolerance = tolerance
        self.max_iterations = max_iterations

    def _fit(self, Z: Array) -> None:
        if self.max_iterations < 1:
            raise ValueError(f"`max_iterations` must be 1 or more, but is {self.max_iterations}.")
        mean = Z[0].T.copy()
        for passes in range(1, self.max_iterations + 1):
            total = _turned_sum(Z, best_rotations(_cross(Z, mean)))
            total /= np.linalg.norm(total)
            change = float(np.linalg.norm(total - mean))
            mean = np.ascontiguousarray(total)
            if change < self.tolerance:
                break
        self.n_iterations_ = passes
        self.change_ = change
        self.converged_ = bool(change < self.tolerance)
        self.mean_ = mean @ principal_frame(mean)

    def fit(self, X: ArrayLike, y: Any = None) -> GeneralizedProcrustes:
        """Learn the mean shape.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Configurations, in any unit and pose, without missing landmarks.
        y : ignored

        Returns
        -------
        self

        Raises
        ------
        ShapeError
            If `X` holds no proper configurations.
        ValueError
            If `max_iterations` is less than 1.
        """
        self._fit(_standardize(check_configurations(X))[0])
        return self

    def transform(self, X: ArrayLike) -> Array:
        """Bring configurations onto the mean learned.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)

        Returns
        -------
        ndarray of shape (n_specimens, n_landmarks, n_dimensions)
            Configurations of unit centroid size, turned onto the mean.

        Raises
        ------
        ShapeError
            If `X` holds no proper configurations, or not the landmarks of the mean.
        """
        check_is_fitted(self)
        k, d = self.mean_.shape
        X = check_configurations(X, n_landmarks=k, n_dimensions=d)
        return self._transform(_standardize(X)[0])

    def _transform(self, Z: Array) -> Array:
        return _turn(Z, best_rotations(_cross(Z, self.mean_)))

    def fit_transform(self, X: ArrayLike, y: Any = None) -> Array:
        """Learn the mean shape of `X` and bring `X` onto it: `fit`, then `transform`.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        y : ignored

        Returns
        -------
        ndarray of shape (n_specimens, n_landmarks, n_dimensions)
            Configurations of unit centroid size, turned onto the mean.
        """
        Z = _standardize(check_configurations(X))[0]
        self._fit(Z)
        return self._transform(Z)
