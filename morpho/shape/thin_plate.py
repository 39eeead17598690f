"""Thin-plate splines and their bending energy, in two and three dimensions."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist
from scipy.special import xlogy

from morpho.shape.checks import ShapeError
from morpho.shape.contract import Transformer, check_is_fitted

__all__ = ["ThinPlateSpline", "bending_energy_matrix"]

Array = NDArray[np.float64]

# Points at a time are chosen so that a block of distances has about this many numbers:
# it then stays in the processor's cache.
_BLOCK = 250_000

# Landmarks nearer to each other than this share of the configuration's extent count as
# one, and a configuration flatter than this share as flat.
_TINY = 1e-9


def _kernel(squared: Array, d: int) -> Array:
    """U(r) from squared distances, which are overwritten."""
    if d == 3:
        return np.negative(np.sqrt(squared, out=squared), out=squared)
    return np.asarray(0.5 * xlogy(squared, squared), dtype=np.float64)


def _check_points(points: ArrayLike, name: str, d: int | None = None) -> Array:
    array = np.asarray(points, dtype=float)
    if array.ndim != 2 or array.shape[1] not in ((2, 3) if d is None else (d,)):
        wanted = "2 or 3" if d is None else d
        raise ShapeError(
            f"`{name}` must have shape (n_points, n_dimensions) with {wanted} dimensions, "
            f"but has shape {array.shape}."
        )
    bad = np.flatnonzero(~np.isfinite(array).all(axis=1))
    if bad.size:
        raise ShapeError(
            f"`{name}` has missing or infinite coordinates at landmarks {bad[:10].tolist()} "
            "(counted from 0): leave them out, here and in the other configuration."
        )
    return array


def _check_source(source: ArrayLike, name: str) -> Array:
    """Landmarks that a spline can start from, or the reason why these are none."""
    array = _check_points(source, name)
    k, d = array.shape
    if k <= d:
        raise ShapeError(
            f"A thin-plate spline in {d} dimensions needs at least {d + 1} landmarks, "
            f"but `{name}` has {k}."
        )
    centred = array - array.mean(axis=0)
    extent = float(np.abs(centred).max())
    pairs = cKDTree(array).query_pairs(_TINY * extent, output_type="ndarray")
    if len(pairs):
        told = " and ".join(map(str, sorted(pairs.tolist())[0]))
        more = f" (and {len(pairs) - 1} more pairs)" if len(pairs) > 1 else ""
        raise ShapeError(
            f"Landmarks {told} of `{name}` (counted from 0) lie at one place{more}: "
            "a thin-plate spline cannot send one place to two. Leave one of them out.",
            "one_place",
        )
    spread = np.linalg.svd(centred, compute_uv=False)
    if spread[-1] <= _TINY * spread[0]:
        flat = "plane" if d == 3 else "straight line"
        raise ShapeError(
            f"All {k} landmarks of `{name}` lie in one {flat}: what is to become of points "
            "beside it cannot be told. Add a landmark that lies off it."
        )
    return array


class _System:
    """Thin-plate spline's linear equations for one source, factored once.

    With P = (1, X) = Q_1 R and Q_2 the orthonormal complement of Q_1, the upper left
    block of the inverse of [[K, P], [P', 0]] is Q_2 (Q_2' K Q_2)^-1 Q_2'.
    """

    def __init__(self, source: Array) -> None:
        k, d = source.shape
        self.centre = source.mean(axis=0)
        self.K = _kernel(cdist(source, source, "sqeuclidean"), d)
        P = np.column_stack([np.ones(k), source - self.centre])
        Q, R = np.linalg.qr(P, mode="complete")
        self.Q1, self.R = Q[:, : d + 1], R[: d + 1]
        self.Q2 = Q[:, d + 1 :]
        self.factor = None
        if k > d + 1:
            inner = self.Q2.T @ self.K @ self.Q2
            try:
                self.factor = cho_factor((inner + inner.T) / 2, lower=True)
            except np.linalg.LinAlgError:
                raise ShapeError(
                    "Some landmarks lie so close together that the thin-plate spline cannot "
                    "be solved: leave one of each close pair out.",
                    "close",
                ) from None

    def weights(self, Y: Array) -> Array:
        if self.factor is None:
            return np.zeros_like(Y)
        return self.Q2 @ cho_solve(self.factor, self.Q2.T @ Y)

    def affine(self, Y: Array, W: Array) -> Array:
        """Offset and linear part for coordinates as they came, not centred."""
        A = solve_triangular(self.R, self.Q1.T @ (Y - self.K @ W))
        A[0] -= self.centre @ A[1:]
        return A


def bending_energy_matrix(reference: ArrayLike) -> Array:
    r"""Bending energy of the thin-plate spline as a quadratic form of its target.

    For a reference with landmarks :math:`x_j`, let :math:`K_{ij} = U(\lVert x_i - x_j
    \rVert)` and :math:`P = (1, X)`. The matrix :math:`B` is the upper left
    :math:`k \times k` block of

    .. math:: \begin{pmatrix} K & P \\ P^\top & 0 \end{pmatrix}^{-1},

    and the spline that sends the reference to :math:`Y` has the bending energy
    :math:`\operatorname{tr}(Y^\top B Y)`.

    Parameters
    ----------
    reference : array-like of shape (n_landmarks, n_dimensions)
        Distinct landmarks, not all in one plane (in 2D: on one line).

    Returns
    -------
    ndarray of shape (n_landmarks, n_landmarks)
        Symmetric, positive semidefinite, of rank :math:`k - d - 1`; zero for every
        affine change of the reference.

    Raises
    ------
    ShapeError
        If landmarks are missing, too few, at one place, or all in one plane.

    Notes
    -----
    The kernel is :math:`U(r) = r^2 \log r` in two dimensions and :math:`U(r) = -r` in
    three, where the sign makes :math:`B` positive. The integral of squared second
    derivatives over the whole plane or space is :math:`8 \pi \operatorname{tr}(Y^\top B
    Y)`. Bookstein (1989) has :math:`r^2 \log r^2`, which halves :math:`B`.

    References
    ----------
    Bookstein, F. L. (1989). Principal warps: thin-plate splines and the decomposition of
    deformations. IEEE Transactions on Pattern Analysis and Machine Intelligence 11,
    567-585.
    Duchon, J. (1977). Splines minimizing rotation-invariant semi-norms in Sobolev spaces.
    In Constructive Theory of Functions of Several Variables, Springer, 85-100.
    Wahba, G. (1990). Spline Models for Observational Data.

    Examples
    --------
    >>> import numpy as np
    >>> square = np.array([[0, 1], [-1, 0], [0, -1], [1, 0]])
    >>> B = bending_energy_matrix(square)
    >>> bool(np.allclose(B @ square, 0))
    True
    """
    system = _System(_check_source(reference, "reference"))
    if system.factor is None:
        return np.zeros_like(system.K)
    # half = F^-1 Q_2' with F F' = Q_2' K Q_2, so that half' half is symmetric as computed
    half = solve_triangular(system.factor[0], system.Q2.T, lower=True)
    return half.T @ half


class ThinPlateSpline(Transformer):
    r"""The smoothest map that sends source landmarks exactly to target landmarks.

    Attributes
    ----------
    weights_ : ndarray of shape (n_landmarks, n_dimensions)
        :math:`W`, with :math:`P^\top W = 0`.
    affine_ : ndarray of shape (n_dimensions + 1, n_dimensions)
        Offset in the first row, the linear part :math:`A` below it.
    bending_energy_ : float
        :math:`\operatorname{tr}(Y^\top B Y)` for the target :math:`Y`, in the unit of the
        target squared over that of the source (in 2D: its square). See
        `bending_energy_matrix`.
    source_ : ndarray of shape (n_landmarks, n_dimensions)
        Source landmarks.

    Notes
    -----
    :math:`f(x) = a + x A + \sum_j U(\lVert x - x_j \rVert)\, w_j` with :math:`U(r) = r^2
    \log r` in two dimensions and :math:`-r` in three.

    References
    ----------
    Bookstein, F. L. (1989). Principal warps: thin-plate splines and the decomposition of
    deformations. IEEE Transactions on Pattern Analysis and Machine Intelligence 11,
    567-585.

    Examples
    --------
    >>> import numpy as np
    >>> source = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    >>> spline = ThinPlateSpline().fit(source, 2 * source + 1)
    >>> spline.transform([[0.5, 0.25]]).round(6).tolist()
    [[2.0, 1.5]]
    """

    def fit(self, source: ArrayLike, target: ArrayLike) -> ThinPlateSpline:
        """Find the spline.

        Parameters
        ----------
        source, target : array-like of shape (n_landmarks, n_dimensions)
            The same landmarks, in the same order, in two or three dimensions.

        Returns
        -------
        self

        Raises
        ------
        ShapeError
            If the two differ in shape, have missing values, or the source has too few
            landmarks, two at one place, or all in one plane (in 2D: on one line).
        """
        X = _check_source(source, "source")
        Y = _check_points(target, "target", X.shape[1])
        if len(Y) != len(X):
            raise ShapeError(
                f"`source` and `target` must have the same landmarks, but have {len(X)} "
                f"and {len(Y)}."
            )
        system = _System(X)
        # Energy and weights do not hang on where the target lies; rounding would.
        moved = Y - Y.mean(axis=0)
        self.source_ = X
        self.weights_ = system.weights(moved)
        self.affine_ = system.affine(moved, self.weights_)
        self.affine_[0] += Y.mean(axis=0)
        self.bending_energy_ = float(max((moved * self.weights_).sum(), 0.0))
        return self

    def _points_in_blocks(self, points: ArrayLike) -> tuple[Array, list[slice]]:
        check_is_fitted(self)
        k, d = self.source_.shape
        array = _check_points(points, "points", d)
        step = max(1, _BLOCK // k)
        return array, [slice(i, i + step) for i in range(0, len(array), step)]

    def transform(self, points: ArrayLike) -> Array:
        """Send points through the spline, a block at a time to spare memory.

        Parameters
        ----------
        points : array-like of shape (n_points, n_dimensions)
            In the frame of the source.

        Returns
        -------
        ndarray of shape (n_points, n_dimensions)
            In the frame of the target.

        Raises
        ------
        ShapeError
            If the points have missing values or other dimensions than the source.
        """
        array, blocks = self._points_in_blocks(points)
        result = self.affine_[0] + array @ self.affine_[1:]
        for block in blocks:
            squared = cdist(array[block], self.source_, "sqeuclidean")
            result[block] += _kernel(squared, array.shape[1]) @ self.weights_
        return result

    def jacobian(self, points: ArrayLike) -> Array:
        r"""Derivatives of the spline, which stretch and turn small neighbourhoods.

        Parameters
        ----------
        points : array-like of shape (n_points, n_dimensions)

        Returns
        -------
        ndarray of shape (n_points, n_dimensions, n_dimensions)
            ``J[i, a, b]`` is :math:`\partial f_a / \partial x_b` at point i. A tangent
            t goes to ``J[i] @ t``. In three dimensions the kernel has a kink at each
            landmark; there its own share counts as zero, the mean over all directions.

        Raises
        ------
        ShapeError
            If the points have missing values or other dimensions than the source.
        """
        array, blocks = self._points_in_blocks(points)
        d = array.shape[1]
        result = np.empty((len(array), d, d))
        result[:] = self.affine_[1:].T
        for block in blocks:
            away = array[block, None, :] - self.source_
            squared = (away**2).sum(axis=2)
            squared[squared == 0] = 1.0  # the offset `away` is zero there
            slope = -1 / np.sqrt(squared) if d == 3 else np.log(squared) + 1
            # dU/dx_b = slope * (x - x_j)_b
            result[block] += np.einsum("nk,nkb,ka->nab", slope, away, self.weights_, optimize=True)
        return result

    def fit_transform(self, X: ArrayLike, y: Any = None, **fit_params: Any) -> Array:
        """Find the spline and send its own source through it.

        Parameters
        ----------
        X, y : array-like of shape (n_landmarks, n_dimensions)
            Source and target.
        **fit_params : ignored

        Returns
        -------
        ndarray of shape (n_landmarks, n_dimensions)
            The target, but for rounding.
        """
        return self.fit(X, y).transform(X)
