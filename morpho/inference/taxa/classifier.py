"""Linear discriminant rule with one covariance for all taxa and equal priors."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import softmax
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.covariance import LedoitWolf
from sklearn.utils.validation import check_is_fitted

from morpho.inference.models.design import InferenceError, check_matrix, indicator

__all__ = ["NearestTaxon"]

Array = NDArray[np.float64]


class NearestTaxon(ClassifierMixin, BaseEstimator):
    r"""Put a specimen in the taxon whose mean is nearest by Mahalanobis distance.

    Parameters
    ----------
    covariance : {'pooled', 'shrunken'}
        Covariance of the deviations from taxon means: with n - G degrees of freedom, or
        shrunken by the rule of Ledoit & Wolf (2004), Journal of Multivariate Analysis
        88(2), 365-411.

    Attributes
    ----------
    classes_ : ndarray of shape (n_taxa,)
    means_ : ndarray of shape (n_taxa, n_variables)
    covariance_ : ndarray of shape (n_variables, n_variables)

    Notes
    -----
    The linear discriminant rule of Fisher with equal priors: the posterior probability
    of taxon :math:`g` is proportional to :math:`\exp(-D_g^2 / 2)` (Mardia, Kent & Bibby
    1979, Multivariate Analysis). Every specimen weighs alike in the
    covariance, however large its taxon.
    """

    def __init__(self, *, covariance: str = "pooled") -> None:
        self.covariance = covariance

    def fit(self, X: ArrayLike, y: ArrayLike) -> NearestTaxon:
        """Learn means and covariance.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)
        y : array-like of shape (n_specimens,)

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If the covariance is singular, or its rule unknown.
        """
        if self.covariance not in ("pooled", "shrunken"):
            raise InferenceError(
                f"`covariance` must be 'pooled' or 'shrunken', but is {self.covariance!r}."
            )
        X = check_matrix(X, name="X")
        self.classes_, columns = indicator(y, len(X))
        self.means_ = (columns.T @ X) / columns.sum(axis=0)[:, None]
        rest = X - columns @ self.means_
        room = len(X) - len(self.classes_)
        if room < 1:
            raise InferenceError(
                "No taxon has two specimens: there is no spread to judge by.", "lone_specimens"
            )
        if self.covariance == "shrunken":
            # each residual has lost a little of its variance to its taxon's mean
            shrunken = LedoitWolf(assume_centered=True).fit(rest)
            self.covariance_ = shrunken.covariance_ * len(X) / room
        else:
            self.covariance_ = rest.T @ rest / room
        if np.linalg.matrix_rank(self.covariance_) < X.shape[1]:
            raise InferenceError(
                f"{X.shape[1]} axes are too many for {len(X)} specimens in "
                f"{len(self.classes_)} taxa: keep fewer axes or add specimens.",
                "axes",
                axes=X.shape[1],
                specimens=len(X),
                taxa=len(self.classes_),
            )
        return self

    def predict_proba(self, X: ArrayLike) -> Array:
        """Posterior probabilities, with equal priors.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)

        Returns
        -------
        ndarray of shape (n_specimens, n_taxa)
        """
        check_is_fitted(self)
        apart = check_matrix(X, name="X", least=1)[:, None] - self.means_
        solved = np.linalg.solve(self.covariance_, apart[..., None])[..., 0]
        return softmax(-(apart * solved).sum(axis=2) / 2, axis=1)

    def predict(self, X: ArrayLike) -> NDArray:
        """Taxa of specimens.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_variables)

        Returns
        -------
        ndarray of shape (n_specimens,)
        """
        return self.classes_[self.predict_proba(X).argmax(axis=1)]
