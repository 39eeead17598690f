"""The estimator contract of scikit-learn, kept without importing it.

Its own base classes take longer to import than most steps of the workflow take to run, and each
step is a process. Clones, pipelines and cross-validation of scikit-learn take these as its own.
"""

from __future__ import annotations

from inspect import signature
from typing import Any, Self

__all__ = ["Estimator", "Transformer", "check_is_fitted"]


class Estimator:
    """Parameters are what the constructor takes; what is learned ends in an underscore."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Give the parameters by name.

        Parameters
        ----------
        deep : bool
            Of no account: no parameter is an estimator.

        Returns
        -------
        dict
        """
        return {name: getattr(self, name) for name in signature(type(self)).parameters}

    def set_params(self, **params: Any) -> Self:
        """Set parameters by name.

        Parameters
        ----------
        **params : any

        Returns
        -------
        Estimator
            Itself.

        Raises
        ------
        ValueError
            If there is no such parameter.
        """
        known = self.get_params()
        for name, value in params.items():
            if name not in known:
                raise ValueError(f"{type(self).__name__} has no parameter {name!r}.")
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        told = ", ".join(f"{name}={value!r}" for name, value in self.get_params().items())
        return f"{type(self).__name__}({told})"

    def __sklearn_tags__(self) -> Any:
        from sklearn.base import BaseEstimator

        return BaseEstimator.__sklearn_tags__(self)  # type: ignore[arg-type]


class Transformer(Estimator):
    """An estimator with `fit` and `transform`."""

    def fit_transform(self, X: Any, y: Any = None) -> Any:
        """Fit, and transform what it was fitted by.

        Parameters
        ----------
        X : array-like
        y : array-like, optional

        Returns
        -------
        ndarray
        """
        return self.fit(X, y).transform(X)  # type: ignore[attr-defined]

    def __sklearn_tags__(self) -> Any:
        from sklearn.utils import TransformerTags

        tags = super().__sklearn_tags__()
        tags.transformer_tags = TransformerTags()
        return tags


def check_is_fitted(estimator: Estimator) -> None:
    """See that an estimator has learned something.

    Parameters
    ----------
    estimator : Estimator

    Raises
    ------
    sklearn.exceptions.NotFittedError
        If it has not.
    """
    if not any(name.endswith("_") and not name.startswith("_") for name in vars(estimator)):
        from sklearn.exceptions import NotFittedError

        raise NotFittedError(
            f"This {type(estimator).__name__} instance is not fitted yet. Call 'fit' with "
            "appropriate arguments before using this estimator."
        )
