"""Missing landmarks estimated from those that are left, and how well that can be done."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.contract import Estimator, check_is_fitted
from morpho.shape.estimation.ridge import Ridge
from morpho.shape.missing import enough_present, landmarks_present
from morpho.shape.rotation import best_rotations
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.symmetry.partners import check_partners
from morpho.shape.symmetry.sides import fill_from_other_side
from morpho.shape.warp_weights import warp_weights

__all__ = ["LandmarkEstimator"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Frame = tuple[Array, Array, Array]

METHODS = ("regression", "spline")
# Fewest complete specimens to learn from.
FEWEST = 5
# Degrees of freedom of the drawn residuals, at least: below, they would have no variance.
_FEWEST_DF = 3.0


def _gaps(X: Array, present: Mask) -> Array:
    return np.where(present[..., None], X, np.nan)


class _Pattern:
    """All that specimens with the same landmarks missing share.

    Coordinates are in the frame of the landmarks that are there or have a mirror image
    (`known`): complete specimens superimposed by these alone, since a broken specimen can be
    brought to no other frame.
    """

    def __init__(self, model: LandmarkEstimator, observed: Mask) -> None:
        self.model, self.observed = model, observed
        X = model.complete_
        filled = self._fill(_gaps(X, observed[None]))
        self.known = landmarks_present(filled).all(axis=0)
        self.mirrored = self.known & ~observed
        self.rest = ~self.known
        self.mean = GeneralizedProcrustes(tolerance=1e-9).fit(filled[:, self.known]).mean_
        frames = self._frames(filled)
        self.sources, truth = self._turn(filled, frames), self._turn(X, frames)
        self.sources[:, self.rest] = truth[:, self.rest]
        self.df = float(len(X) - 1)
        self.residuals = truth - self.sources
        if not self.rest.any():
            return
        if model.method == "regression":
            x, y = self._flat(self.sources, self.known), self._flat(truth, self.rest)
            self.ridge = Ridge(model.ridge).fit(x, y)
            self.df = self.ridge.residual_df_
            self.residuals[:, self.rest] = self._blocks(self.ridge.left_out_residuals_)
        else:
            self.weights = warp_weights(self.sources[:, self.known], self.sources[:, self.rest])
            for i in range(len(X)):
                guess = self._spline(self.sources[i], np.arange(len(X)) != i)
                self.residuals[i, self.rest] = truth[i, self.rest] - guess

    def _fill(self, X: Array) -> Array:
        partners = self.model.partners
        return X if partners is None else fill_from_other_side(X, partners)

    def _frames(self, X: Array) -> Frame:
        Z = X[:, self.known]
        centres = Z.mean(axis=1, keepdims=True)
        Z = Z - centres
        sizes = np.sqrt((Z**2).sum(axis=(1, 2), keepdims=True))
        return centres, sizes, best_rotations(np.einsum("nki,kj->nij", Z / sizes, self.mean))

    @staticmethod
    def _turn(X: Array, frames: Frame) -> Array:
        centres, sizes, rotations = frames
        return (X - centres) / sizes @ rotations

    @staticmethod
    def _back(X: Array, frames: Frame) -> Array:
        centres, sizes, rotations = frames
        return X @ rotations.transpose(0, 2, 1) * sizes + centres

    @staticmethod
    def _flat(X: Array, which: Any) -> Array:
        return X[:, which].reshape(len(X), -1)

    def _blocks(self, Y: Array) -> Array:
        return Y.reshape(len(Y), int(self.rest.sum()), -1)

    def _spline(self, x: Array, chosen: Mask) -> Array:
        """Missing landmarks of `x`, warped over from the nearest of the chosen specimens."""
        candidates = np.flatnonzero(chosen)
        gaps = self.sources[candidates][:, self.known] - x[self.known]
        order = np.argsort((gaps**2).sum(axis=(1, 2)), kind="stable")
        nearest = candidates[order[: self.model.n_neighbours]]
        return (self.weights[nearest] @ x[self.known]).mean(axis=0)

    def complete(self, X: Array) -> tuple[Array, Frame, Array]:
        """Completed specimens in the frame, the frame, and how much wider each one's error is."""
        filled = self._fill(X)
        if np.isnan(filled[:, self.known]).any():
            raise ShapeError(
                "The mirror side of a specimen cannot be used: the landmarks that are there with "
                "their partners lie on one line. Set the specimen aside."
            )
        frames = self._frames(filled)
        turned = self._turn(filled, frames)
        wider = np.ones((len(X), *X.shape[1:]))
        if self.rest.any() and self.model.method == "regression":
            x = self._flat(turned, self.known)
            turned[:, self.rest] = self._blocks(self.ridge.predict(x))
            wider[:, self.rest] = self.ridge.widening(x)[:, None, None]
        elif self.rest.any():
            everyone = np.ones(len(self.sources), dtype=bool)
            for x in turned:
                x[self.rest] = self._spline(x, everyone)
        return turned, frames, wider

    def draw(self, X: Array, n_imputations: int, rng: np.random.Generator) -> Array:
        n, d = len(self.residuals), X.shape[2]
        turned, frames, wider = self.complete(X)
        shape = (n_imputations, len(X))
        hidden = d * int((~self.observed).sum())
        df = max(self.df - hidden + 1, self.df / 2, _FEWEST_DF)
        stretch = np.sqrt(max(self.df, df) / rng.chisquare(df, size=shape))
        mixture = rng.normal(size=(*shape, n)) / np.sqrt(n) * stretch[..., None]
        errors = np.einsum("msn,nkd->mskd", mixture, self.residuals) * np.sqrt(wider)
        return np.stack([self._back(turned + error, frames) for error in errors])


class LandmarkEstimator(Estimator):
    r"""Estimate missing landmarks from the mirror side, then by regression or spline.

    Parameters
    ----------
    method : {'regression', 'spline'}
        How landmarks are placed that have no mirror image on the other side.
    partners : array-like of int, of shape (n_landmarks,), optional
        Index of the partner of each landmark (itself on the midline), where the bone has a
        plane of symmetry.
    ridge : 'leave_one_out' or float
        Penalty of the regression, as a share of the mean squared singular value of the
        landmarks that are there; by default the one with the smallest leave-one-out error.
    n_neighbours : int
        Complete specimens, the nearest by the landmarks left, that the spline starts from;
        their estimates are averaged.

    Attributes
    ----------
    complete_ : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        The complete specimens learned from.
    prepared_ : dict
        What was learned for each set of missing landmarks met so far.

    Notes
    -----
    *Frame.* For each set of missing landmarks the complete specimens are superimposed by the
    landmarks that are there, since a broken specimen can be brought to no other frame, and
    the estimate is turned back into each specimen's pose and scale. Size is not used.

    *Mirror side.* A landmark whose partner is there is its mirror image, see
    `morpho.shape.symmetry.sides.fill_from_other_side`.

    *Regression.* Ridge regression of the missing coordinates on those that are there, with
    one penalty for all, see `morpho.shape.estimation.ridge.Ridge`.

    *Spline.* The nearest complete specimens are warped onto the landmarks that are there by
    thin-plate splines (Bookstein 1989), which carry the missing ones along.

    *Draws.* Imputations add to the estimate the residuals that the same procedure leaves in
    each complete specimen when that one is left out, mixed at random,

    .. math:: \hat x + \sqrt{w\,\nu / \chi^2_{\nu'}} \; n^{-1/2} \sum_i z_i e_{(i)},
       \qquad z_i \sim N(0, 1),

    so that errors of landmarks estimated together keep their covariance. Left-out residuals
    hold the uncertainty of the parameters; :math:`w` widens those of the regression for a
    specimen that is further from the complete ones than they are from each other
    (its leverage, see `Ridge.widening`). The chi-square with :math:`\nu' = \nu - q + 1`
    allows for the covariance of :math:`q` hidden coordinates being estimated from
    :math:`n` residuals with :math:`\nu` degrees of freedom, as in the predictive
    multivariate t distribution; it is held to no less than :math:`\nu / 2` and 3, as with many
    landmarks hidden no sample tells all their covariances.

    References
    ----------
    Gunz, P., Mitteroecker, P., Neubauer, S., Weber, G. W. & Bookstein, F. L. (2009).
    Principles for the virtual reconstruction of hominin crania. Journal of Human Evolution
    57, 48-62: spline and regression compared, several estimates instead of one.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> bones = rng.normal(size=(8, 3)) + 0.05 * rng.normal(size=(30, 8, 3))
    >>> broken = bones[:1].copy()
    >>> broken[0, 2] = np.nan
    >>> completed = LandmarkEstimator().fit(bones[1:]).transform(broken)
    >>> bool(np.linalg.norm(completed[0, 2] - bones[0, 2]) < 0.3)
    True
    """

    def __init__(
        self,
        *,
        method: str = "regression",
        partners: ArrayLike | None = None,
        ridge: str | float = "leave_one_out",
        n_neighbours: int = 3,
    ) -> None:
        self.method = method
        self.partners = partners
        self.ridge = ridge
        self.n_neighbours = n_neighbours

    def fit(self, X: ArrayLike, y: Any = None) -> LandmarkEstimator:
        """Keep the complete specimens to learn from.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Complete configurations, in any pose and scale.
        y : ignored

        Returns
        -------
        self

        Raises
        ------
        ShapeError
            If `X` holds fewer than five proper configurations, or the partners do not fit.
        ValueError
            If a parameter is unknown or out of range.
        """
        if self.method not in METHODS:
            raise ValueError(f"`method` must be one of {METHODS}, but is {self.method!r}.")
        if self.n_neighbours < 1:
            raise ValueError(f"`n_neighbours` must be 1 or more, but is {self.n_neighbours}.")
        self.complete_ = check_configurations(X, least=FEWEST)
        self.prepared_: dict[bytes, _Pattern] = {}
        if self.partners is not None:
            check_partners(self.partners, self.complete_.shape[1])
        return self

    def _check(self, X: ArrayLike) -> Array:
        check_is_fitted(self)
        X = np.asarray(X, dtype=float)
        wanted = self.complete_.shape[1:]
        if X.ndim != 3 or X.shape[1:] != wanted or np.isinf(X).any():
            raise ShapeError(
                f"`X` must have shape (n_specimens, {wanted[0]}, {wanted[1]}) with finite or "
                f"missing coordinates, but has shape {X.shape}."
            )
        poor = np.flatnonzero(~enough_present(X))
        if poor.size:
            left = landmarks_present(X)[poor].sum(axis=1)
            raise ShapeError(
                f"Specimens {poor[:10].tolist()} (counted from 0) have too little left "
                f"({left[:10].tolist()} landmarks) to place the missing ones: at least "
                f"{wanted[1] + 1} that span the bone (in space, not near one plane) are needed. "
                "Set them aside."
            )
        return X

    def _patterns(self, X: Array) -> list[tuple[NDArray[np.intp], _Pattern]]:
        """Specimens with something missing, by what is missing."""
        patterns, which = np.unique(landmarks_present(X), axis=0, return_inverse=True)
        found = []
        for g, observed in enumerate(patterns):
            if not observed.all():
                key = observed.tobytes()
                if key not in self.prepared_:
                    self.prepared_[key] = _Pattern(self, observed)
                found.append((np.flatnonzero(which.ravel() == g), self.prepared_[key]))
        return found

    def transform(self, X: ArrayLike) -> Array:
        """Complete configurations.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Missing landmarks are NaN.

        Returns
        -------
        ndarray of shape (n_specimens, n_landmarks, n_dimensions)
            In the pose and scale of each specimen; what was there is untouched.

        Raises
        ------
        ShapeError
            If a specimen has fewer than four landmarks (in the plane three), or only such
            near one plane (line); see `morpho.shape.missing.enough_present`.
        """
        X = self._check(X)
        result = X.copy()
        for members, pattern in self._patterns(X):
            turned, frames, _ = pattern.complete(X[members])
            there = pattern.observed[None, :, None]
            result[members] = np.where(there, X[members], pattern._back(turned, frames))
        return result

    def draw(
        self,
        X: ArrayLike,
        n_imputations: int,
        random_state: int | np.random.Generator | None = None,
    ) -> Array:
        """Complete configurations several times, each with its own error of estimation.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Missing landmarks are NaN.
        n_imputations : int
        random_state : int, Generator or None

        Returns
        -------
        ndarray of shape (n_imputations, n_specimens, n_landmarks, n_dimensions)

        Raises
        ------
        ShapeError
            As `transform`.
        ValueError
            If `n_imputations` is less than 1.
        """
        X = self._check(X)
        if n_imputations < 1:
            raise ValueError(f"`n_imputations` must be 1 or more, but is {n_imputations}.")
        rng = np.random.default_rng(random_state)
        result = np.repeat(X[None], n_imputations, axis=0)
        for members, pattern in self._patterns(X):
            there = pattern.observed[None, None, :, None]
            drawn = pattern.draw(X[members], n_imputations, rng)
            result[:, members] = np.where(there, X[members], drawn)
        return result

    def estimated(self, X: ArrayLike) -> NDArray[np.str_]:
        """How each landmark of each specimen is come by.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
            Missing landmarks are NaN.

        Returns
        -------
        ndarray of str, of shape (n_specimens, n_landmarks)
            Blank where the landmark is there; else 'mirror side', 'regression' or 'spline'.

        Raises
        ------
        ShapeError
            As `transform`.
        """
        X = self._check(X)
        filled = X if self.partners is None else fill_from_other_side(X, self.partners)
        by_mirror = np.where(landmarks_present(filled), "mirror side", self.method)
        return np.where(landmarks_present(X), "", by_mirror)
