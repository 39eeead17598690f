"""Ridge regression with its penalty chosen, and its errors measured, by leaving one out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError
from morpho.shape.contract import Estimator, check_is_fitted

__all__ = ["PENALTIES", "Ridge"]

Array = NDArray[np.float64]

# Penalties tried, as shares of the mean squared singular value of the predictors: from
# nearly least squares to nearly the mean.
PENALTIES = np.logspace(-5, 3, 33)


class Ridge(Estimator):
    r"""Regression of several variables on more than there are specimens.

    Parameters
    ----------
    penalty : 'leave_one_out' or float
        A share of the mean squared singular value of the centred predictors. By default the
        one of `PENALTIES` with the smallest squared leave-one-out error, summed over
        variables.

    Attributes
    ----------
    penalty_ : float
        The share used.
    left_out_residuals_ : ndarray of shape (n_specimens, n_variables)
        What each specimen differs by from its prediction by the others.
    residual_df_ : float
        Specimens less one, less the effective number of predictors.

    Notes
    -----
    With the singular value decomposition :math:`X = U S V^\top` of the centred predictors,
    :math:`\hat B = V\,\mathrm{diag}(s / (s^2 + \lambda))\,U^\top Y`, with leverages
    :math:`h_i = 1/n + \sum_j u_{ij}^2 s_j^2 / (s_j^2 + \lambda)`; the residual of a specimen
    left out is :math:`e_i / (1 - h_i)` (Hoerl & Kennard 1970, Technometrics 12(1), 55-67;
    Golub, Heath & Wahba 1979, Technometrics 21(2), 215-223).
    """

    def __init__(self, penalty: str | float = "leave_one_out") -> None:
        self.penalty = penalty

    def fit(self, X: ArrayLike, Y: ArrayLike) -> Ridge:
        """Learn the coefficients.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_predictors)
        Y : array-like of shape (n_specimens, n_variables)

        Returns
        -------
        self

        Raises
        ------
        ShapeError
            If the predictors do not vary.
        ValueError
            If the penalty is neither 'leave_one_out' nor a positive number.
        """
        X, Y = np.asarray(X, dtype=float), np.asarray(Y, dtype=float)
        if isinstance(self.penalty, str):
            if self.penalty != "leave_one_out":
                raise ValueError(
                    f"The penalty must be 'leave_one_out' or a number, but is {self.penalty!r}."
                )
            shares = PENALTIES
        elif not 0 < self.penalty < np.inf:
            raise ValueError(f"The penalty must be over 0, but is {self.penalty}.")
        else:
            shares = np.array([float(self.penalty)])
        n = len(X)
        self.means_ = X.mean(axis=0), Y.mean(axis=0)
        U, s, self.axes_ = np.linalg.svd(X - self.means_[0], full_matrices=False)
        if not s[0] > 1e-12 * np.abs(X).max():
            raise ShapeError("The landmarks that are there do not vary among complete specimens.")
        turned = U.T @ (Y - self.means_[1])
        kept = s**2 / (s**2 + (shares * np.mean(s**2))[:, None])
        leverages = 1 / n + kept @ (U**2).T
        best = np.inf
        for share, keep, h in zip(shares, kept, leverages, strict=True):
            residuals = Y - self.means_[1] - (U * keep) @ turned
            residuals /= (1 - h)[:, None]
            error = float((residuals**2).sum())
            if error < best:
                best = error
                self.penalty_, self.left_out_residuals_ = float(share), residuals
                self.residual_df_ = n - 1 - float(keep.sum())
                self.leverages_ = h
        self.lambda_ = self.penalty_ * float(np.mean(s**2))
        self.singular_values_ = s
        self.coefficients_ = self.axes_.T @ ((s / (s**2 + self.lambda_))[:, None] * turned)
        return self

    def predict(self, X: ArrayLike) -> Array:
        """Predict the variables.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_predictors)

        Returns
        -------
        ndarray of shape (n_specimens, n_variables)
        """
        check_is_fitted(self)
        return (np.asarray(X, dtype=float) - self.means_[0]) @ self.coefficients_ + self.means_[1]

    def widening(self, X: ArrayLike) -> Array:
        r"""Variance of new residuals over the mean variance of left-out ones.

        :math:`(1 + h(x)) / \overline{(1 + h_{(i)})}` with the leverage :math:`h(x) = 1/n +
        x^\top (X^\top X + \lambda I)^{-1} x` of the new specimen, and :math:`1 + h_{(i)} =
        1 / (1 - h_i)` that of each one learned from when it was left out.

        Parameters
        ----------
        X : array-like of shape (n_specimens, n_predictors)

        Returns
        -------
        ndarray of shape (n_specimens,)
        """
        check_is_fitted(self)
        x = np.asarray(X, dtype=float) - self.means_[0]
        along = x @ self.axes_.T
        beside = np.maximum((x**2).sum(axis=1) - (along**2).sum(axis=1), 0)
        h = (along**2 / (self.singular_values_**2 + self.lambda_)).sum(axis=1)
        h += 1 / len(self.leverages_) + beside / self.lambda_
        return (1 + h) / np.mean(1 / (1 - self.leverages_))
