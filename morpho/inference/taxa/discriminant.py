"""Canonical axes and linear discriminant analysis, judged by cross-validation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh, orthogonal_procrustes
from sklearn.base import BaseEstimator, TransformerMixin, clone
from sklearn.model_selection import LeaveOneOut, StratifiedKFold
from sklearn.utils.validation import check_is_fitted

from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.design import InferenceError, check_matrix, indicator
from morpho.inference.models.ordination import ShapeSpace, fix_signs, most_axes
from morpho.inference.taxa.classifier import NearestTaxon
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.tangent import TangentSpace

__all__ = ["CanonicalAxes", "CrossValidation", "ShapeDiscriminant", "cross_validate"]

Array = NDArray[np.float64]


class CanonicalAxes(TransformerMixin, BaseEstimator):
    r"""Axes that set groups furthest apart for their spread within groups.

    Attributes
    ----------
    axes_ : ndarray of shape (n_variables, n_canonical)
        Coefficients, scaled to unit variance within groups; the largest of each axis
        is positive.
    ratios_ : ndarray of shape (n_canonical,)
        Ratio of variation between to variation within groups along each axis.
    share_between_taxa_ : ndarray of shape (n_canonical,)
    mean_ : ndarray of shape (n_variables,)

    Notes
    -----
    The axes :math:`a` solve :math:`B a = \lambda W a` with :math:`B` and :math:`W` the
    sums of squares and products between and within groups (Mardia, Kent & Bibby 1979,
    Multivariate Analysis), and satisfy :math:`a^\top W a = n - G`.
    """

    def fit(self, X: ArrayLike, y: ArrayLike) -> CanonicalAxes:
        """Find the axes.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)
        y : array-like of shape (n_specimens,)
            Group of each specimen.

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If there are fewer than two groups, or too few specimens for the variables.
        """
        X = check_matrix(X, name="X")
        columns = indicator(y, len(X))[1]
        n, count = columns.shape
        if count < 2:
            raise InferenceError("Canonical axes need at least two groups.", "one_taxon")
        if X.shape[1] > n - count:
            raise InferenceError(
                f"{X.shape[1]} variables need at least as many degrees of freedom within "
                f"groups; there are {n - count}. Keep fewer axes or add specimens.",
                "freedom",
                variables=X.shape[1],
                left=n - count,
            )
        self.mean_ = X.mean(axis=0)
        means = (columns.T @ X) / columns.sum(axis=0)[:, None]
        within = X - columns @ means
        between = columns @ means - self.mean_
        kept = min(count - 1, X.shape[1])
        try:
            values, vectors = eigh(between.T @ between, within.T @ within)
        except np.linalg.LinAlgError as error:
            raise InferenceError(
                "The variables do not vary within groups.", "no_variation"
            ) from error
        order = np.argsort(values)[::-1][:kept]
        self.ratios_ = np.maximum(values[order], 0.0)
        whole = float(self.ratios_.sum())
        self.share_between_taxa_ = self.ratios_ / whole if whole > 0 else np.full(kept, 1 / kept)
        self.axes_ = fix_signs(vectors[:, order]) * np.sqrt(n - count)
        return self

    def transform(self, X: ArrayLike) -> Array:
        """Canonical scores.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)

        Returns
        -------
        ndarray of shape (n_specimens, n_canonical)
        """
        check_is_fitted(self)
        X = check_matrix(X, name="X", least=1, n_variables=len(self.mean_))
        return (X - self.mean_) @ self.axes_


class ShapeDiscriminant(BaseEstimator):
    """From raw configurations to canonical scores and classes, learned as one.

    Superimposition, tangent space, size removal, axes retained and discriminants all
    come from the specimens of the fit, so that a specimen left out has no part in any.

    Parameters
    ----------
    axes, share, most
        As in `ShapeSpace`.
    remove_size : bool
        Whether the common within-group slope on size is taken out first.
    covariance : {'pooled', 'shrunken'}
        Within-group covariance of the classes, see `NearestTaxon`.
    random_state : int or None

    Attributes
    ----------
    superimposition_, tangent_, space_, canonical_, classifier_
        The fitted parts.
    slope_ : CommonSlope or None
    """

    def __init__(
        self,
        *,
        axes: str = "share",
        share: float = 0.9,
        most: int = 10,
        remove_size: bool = False,
        covariance: str = "pooled",
        random_state: int | None = None,
    ) -> None:
        self.axes = axes
        self.share = share
        self.most = most
        self.remove_size = remove_size
        self.covariance = covariance
        self.random_state = random_state

    def fit(self, X: ArrayLike, y: ArrayLike, size: ArrayLike | None = None) -> ShapeDiscriminant:
        """Learn everything from known specimens.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Configurations in any pose, all of one side.
        y : array-like of shape (n_specimens,)
        size : array-like of shape (n_specimens,), optional
            Log centroid sizes, needed to remove size.

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If size is to be removed and not given, or the groups are too poor.
        ShapeError
            If `X` holds no proper configurations.
        """
        y = np.asarray(y)
        self.superimposition_ = GeneralizedProcrustes()
        aligned = self.superimposition_.fit_transform(X)
        self.tangent_ = TangentSpace(pole=self.superimposition_.mean_).fit(aligned)
        Y = self.tangent_.transform(aligned)
        self.slope_ = None
        if self.remove_size:
            if size is None:
                raise InferenceError("Size can only be removed where `size` is given.")
            self.slope_ = CommonSlope().fit(Y, size, y)
            Y = self.slope_.remove(Y, size)
        groups = np.unique(y)
        self.space_ = ShapeSpace(
            axes=self.axes,
            share=self.share,
            most=most_axes(len(Y), len(groups), self.most),
            random_state=self.random_state,
        ).fit(Y)
        scores = self.space_.transform(Y)[:, : self.space_.n_axes_]
        self.canonical_ = CanonicalAxes().fit(scores, y)
        self.classifier_ = NearestTaxon(covariance=self.covariance).fit(scores, y)
        return self

    def scores(self, X: ArrayLike, size: ArrayLike | None = None) -> Array:
        """Scores of configurations on the axes retained.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        size : array-like of shape (n_specimens,), optional

        Returns
        -------
        ndarray of shape (n_specimens, n_axes)
        """
        check_is_fitted(self)
        Y = self.tangent_.transform(self.superimposition_.transform(X))
        if self.slope_ is not None:
            if size is None:
                raise InferenceError("Size was removed in the fit: `size` is needed here too.")
            Y = self.slope_.remove(Y, size)
        return self.space_.transform(Y)[:, : self.space_.n_axes_]


@dataclass(frozen=True)
class CrossValidation:
    """What became of each specimen when it was left out.

    Attributes
    ----------
    predicted : ndarray of shape (n_specimens,)
        Group that the specimen was put in.
    scores : ndarray of shape (n_specimens, n_canonical)
        Canonical scores, turned to the axes of the model of all specimens.
    n_axes : ndarray of shape (n_specimens,)
        Axes retained in the fold of the specimen.
    """

    predicted: NDArray[Any]
    scores: Array
    n_axes: NDArray[np.int_]


def _group_means(scores: Array, labels: NDArray, groups: NDArray) -> Array:
    return np.stack([scores[labels == group].mean(axis=0) for group in groups])


def _widened(scores: Array, width: int) -> Array:
    return np.pad(scores, ((0, 0), (0, width - scores.shape[1])))


def cross_validate(
    model: ShapeDiscriminant,
    X: ArrayLike,
    y: ArrayLike,
    size: ArrayLike | None = None,
    *,
    folds: int | str = "leave_one_out",
    random_state: int | None = None,
) -> CrossValidation:
    """Classify each specimen by a model in which it has no part.

    Parameters
    ----------
    model : ShapeDiscriminant
        Settings; it is cloned for each fold and not changed.
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
    y : array-like of shape (n_specimens,)
    size : array-like of shape (n_specimens,), optional
    folds : int or 'leave_one_out'
    random_state : int or None
        Shuffles the specimens between folds where `folds` is a number.

    Returns
    -------
    CrossValidation

    Raises
    ------
    InferenceError
        If a group has fewer than two specimens, or fewer than there are folds.

    Notes
    -----
    The canonical axes of a fold may be turned against those of the whole sample; the
    scores of the specimens left out are brought together by the orthogonal rotation that
    best fits the group means of the fold to those of the whole (Schoenemann 1966,
    Psychometrika 31, 1-10).
    """
    X = np.asarray(X, dtype=float)
    y = np.asarray(y)
    groups, columns = indicator(y, len(X))
    smallest = int(columns.sum(axis=0).min())
    if smallest < 2:
        raise InferenceError(
            "A group with one specimen is empty when that one is left out.", "emptied_taxon"
        )
    if folds == "leave_one_out":
        splitter: Any = LeaveOneOut()
    else:
        if smallest < int(folds):
            raise InferenceError(
                f"The smallest group has {smallest} specimens for {folds} folds.",
                "folds",
                smallest=smallest,
                folds=folds,
            )
        splitter = StratifiedKFold(int(folds), shuffle=True, random_state=random_state)
    whole = clone(model).fit(X, y, size)
    anchor = _group_means(whole.canonical_.transform(whole.scores(X, size)), y, groups)
    predicted = np.empty(len(y), dtype=y.dtype)
    scores = np.empty((len(y), anchor.shape[1]))
    n_axes = np.empty(len(y), dtype=int)
    sizes = None if size is None else np.asarray(size, dtype=float)
    for learn, left in splitter.split(X, y):
        inside, outside = (None, None) if sizes is None else (sizes[learn], sizes[left])
        part = clone(model).fit(X[learn], y[learn], inside)
        canonical = part.canonical_.transform(part.scores(X[learn], inside))
        means = _group_means(canonical, y[learn], groups)
        held = part.scores(X[left], outside)
        # both in as many dimensions as either has; what the whole has not is cut off again
        width = max(means.shape[1], anchor.shape[1])
        turn, _ = orthogonal_procrustes(
            _widened(means - means.mean(axis=0), width),
            _widened(anchor - anchor.mean(axis=0), width),
        )
        moved = _widened(part.canonical_.transform(held) - means.mean(axis=0), width) @ turn
        scores[left] = moved[:, : anchor.shape[1]] + anchor.mean(axis=0)
        predicted[left] = part.classifier_.predict(held)
        n_axes[left] = part.space_.n_axes_
    return CrossValidation(predicted, scores, n_axes)
