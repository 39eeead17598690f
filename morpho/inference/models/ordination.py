"""Shape space: principal components, and how many of them to keep."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.design import InferenceError, check_matrix
from morpho.shape.contract import Transformer, check_is_fitted

__all__ = ["ShapeSpace", "axes_kept", "broken_stick", "fix_signs", "most_axes", "parallel_analysis"]

Array = NDArray[np.float64]

_RULES = ("parallel", "broken_stick", "share")


def fix_signs(axes: Array) -> Array:
    """Turn each column so that its largest entry by absolute value is positive.

    Parameters
    ----------
    axes : ndarray of shape (n_variables, n_axes)

    Returns
    -------
    ndarray of shape (n_variables, n_axes)
    """
    largest = axes[np.abs(axes).argmax(axis=0), np.arange(axes.shape[1])]
    return axes * np.where(largest < 0, -1.0, 1.0)


def broken_stick(n_axes: int) -> Array:
    r"""Shares of variance expected of a stick broken at random.

    :math:`b_j = \frac{1}{p} \sum_{i=j}^{p} \frac{1}{i}` (Frontier 1976, Journal of
    Experimental Marine Biology and Ecology 25, 67-75; Jackson 1993, Ecology 74,
    2204-2214).

    Parameters
    ----------
    n_axes : int

    Returns
    -------
    ndarray of shape (n_axes,)

    Examples
    --------
    >>> broken_stick(3).round(4)
    array([0.6111, 0.2778, 0.1111])
    """
    return np.cumsum(1.0 / np.arange(n_axes, 0, -1))[::-1] / n_axes


def most_axes(n_specimens: int, n_groups: int, most: int) -> int:
    """Axes that a sample can carry: at most a third of the degrees of freedom within groups.

    A covariance matrix on fewer degrees of freedom than three for each axis is too
    unsteady to measure distances by (common practice, no source).

    Parameters
    ----------
    n_specimens, n_groups : int
    most : int
        Never more axes than this.

    Returns
    -------
    int
        At least 1.
    """
    return max(1, min(most, (n_specimens - n_groups) // 3))


def parallel_analysis(
    Y: ArrayLike,
    *,
    repeats: int = 100,
    quantile: float = 0.95,
    random_state: int | np.random.Generator | None = None,
) -> Array:
    """Variances of axes to expect where variables are unrelated.

    Each variable is permuted on its own, which keeps its spread and breaks its
    relations; the quantile of the ordered variances is returned (Horn 1965,
    Psychometrika 30(2), 179-185; permutation form: Buja & Eyuboglu 1992, Multivariate
    Behavioral Research 27(4), 509-540).

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
    repeats : int
        Permuted copies.
    quantile : float
        Between 0 and 1.
    random_state : int, Generator or None

    Returns
    -------
    ndarray of shape (min(n_specimens - 1, n_variables),)
        Variances, in decreasing order.

    Raises
    ------
    InferenceError
        If `Y` is not a finite matrix of two specimens or more.
    """
    Y = check_matrix(Y)
    rng = np.random.default_rng(random_state)
    n, m = Y.shape
    Y = Y - Y.mean(axis=0)
    count = min(n - 1, m)
    variances = np.empty((repeats, count))
    for i in range(repeats):
        shuffled = rng.permuted(Y, axis=0)
        inner = shuffled @ shuffled.T if n <= m else shuffled.T @ shuffled
        variances[i] = np.linalg.eigvalsh(inner)[::-1][:count] / (n - 1)
    return np.quantile(variances, quantile, axis=0)


def axes_kept(
    X: ArrayLike,
    variance: Array,
    *,
    axes: str = "share",
    share: float = 0.9,
    most: int = 10,
    random_state: int | np.random.Generator | None = None,
) -> tuple[int, Array]:
    """Number of principal axes to keep, by a rule.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_variables)
        What the axes are of.
    variance : ndarray of shape (n_components,)
        Variance along each axis, with n - 1 in the denominator; the largest first.
    axes, share, most, random_state
        As in `ShapeSpace`.

    Returns
    -------
    count : int
        At least 1, at most `most`.
    threshold : ndarray of shape (n_components,)
        Share of variance that the rule asks of each axis (NaN for the rule 'share').

    Raises
    ------
    InferenceError
        If the rule is unknown.
    """
    if axes not in _RULES:
        raise InferenceError(f"`axes` must be one of {_RULES}, but is {axes!r}.")
    total, count = variance.sum(), len(variance)
    shares = variance / total
    if axes == "share":
        threshold = np.full(count, np.nan)
        kept = int((np.cumsum(shares) < share - 1e-12).sum()) + 1
    else:
        if axes == "broken_stick":
            threshold = broken_stick(count)
        else:
            threshold = parallel_analysis(X, random_state=random_state)[:count] / total
        below = shares <= threshold
        kept = int(below.argmax()) if below.any() else count
    return max(1, min(kept, most, count)), threshold


class ShapeSpace(Transformer):
    """Principal components of tangent coordinates.

    Parameters
    ----------
    axes : {'parallel', 'broken_stick', 'share'}
        Rule for the number of axes kept: variance above that of unrelated variables,
        above the broken stick, or enough to reach `share`.
    share : float
        Share of variance to reach, for the rule 'share'.
    most : int
        Never more axes than this.
    random_state : int, Generator or None
        Used by the rule 'parallel' only.

    Attributes
    ----------
    mean_ : ndarray of shape (n_variables,)
    components_ : ndarray of shape (n_components, n_variables)
        All axes with variance, as rows of unit length; the largest loading of each is
        positive.
    variance_ : ndarray of shape (n_components,)
        Variance along each axis, with n - 1 in the denominator.
    share_of_variance_ : ndarray of shape (n_components,)
    threshold_ : ndarray of shape (n_components,)
        Share of variance that the rule asks of each axis (NaN for the rule 'share').
    n_axes_ : int
        Axes kept by the rule: at least one, at most `most`.

    Notes
    -----
    The decomposition is the singular value decomposition of the centred coordinates
    (Jolliffe 2002, Principal Component Analysis, 2nd ed.).

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(0)
    >>> Y = rng.normal(size=(30, 2)) @ [[3, 0, 0, 0], [0, 2, 0, 0]]
    >>> ShapeSpace(axes="share", share=0.99).fit(Y).n_axes_
    2
    """

    def __init__(
        self,
        *,
        axes: str = "share",
        share: float = 0.9,
        most: int = 10,
        random_state: int | np.random.Generator | None = None,
    ) -> None:
        self.axes = axes
        self.share = share
        self.most = most
        self.random_state = random_state

    def fit(self, X: ArrayLike, y: Any = None) -> ShapeSpace:
        """Find the axes.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)
        y : ignored

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If `X` is no finite matrix of at least two specimens, does not vary, or the
            rule is unknown.
        """
        X = check_matrix(X, name="X")
        self.mean_ = X.mean(axis=0)
        _, s, Vt = np.linalg.svd(X - self.mean_, full_matrices=False)
        some = s > max(X.shape) * np.finfo(float).eps * max(s[0], np.abs(X).max())
        if not some.any():
            raise InferenceError(
                "The shapes do not vary: all specimens are the same.", "same_shapes"
            )
        self.components_ = fix_signs(Vt[some].T).T
        self.variance_ = s[some] ** 2 / (len(X) - 1)
        self.share_of_variance_ = self.variance_ / self.variance_.sum()
        self.n_axes_, self.threshold_ = axes_kept(
            X,
            self.variance_,
            axes=self.axes,
            share=self.share,
            most=self.most,
            random_state=self.random_state,
        )
        return self

    def transform(self, X: ArrayLike) -> Array:
        """Scores on all axes.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)

        Returns
        -------
        ndarray of shape (n_specimens, n_components)

        Raises
        ------
        InferenceError
            If `X` is no finite matrix with the variables of the fit.
        """
        check_is_fitted(self)
        X = check_matrix(X, name="X", least=1, n_variables=len(self.mean_))
        return (X - self.mean_) @ self.components_.T

    def inverse_transform(self, scores: ArrayLike) -> Array:
        """Tangent coordinates at scores on the first axes.

        Parameters
        ----------
        scores : array-like of shape (n_shapes, n_axes)
            On as many of the first axes as it has columns.

        Returns
        -------
        ndarray of shape (n_shapes, n_variables)
        """
        check_is_fitted(self)
        scores = np.atleast_2d(np.asarray(scores, dtype=float))
        return self.mean_ + scores @ self.components_[: scores.shape[1]]
