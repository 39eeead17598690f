"""Checks of arrays that every function of the package words in the same way."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Refusal", "ShapeError", "check_configurations"]


class Refusal(ValueError):
    """Data that something cannot be computed from.

    Parameters
    ----------
    message : str
        Why, in words, for whom it reaches directly.
    code : str
        The same as a key word, for those who tell it in words of their own.
    **facts
        Names and numbers that belong to it.
    """

    def __init__(self, message: str, code: str = "", **facts: Any) -> None:
        super().__init__(message)
        self.code, self.facts = code, facts


class ShapeError(Refusal):
    """Configurations that no superimposition can be made of."""


def check_configurations(
    X: ArrayLike,
    *,
    name: str = "X",
    n_landmarks: int | None = None,
    n_dimensions: int | None = None,
    least: int = 1,
) -> NDArray[np.float64]:
    """Return `X` as a float array of configurations, or say what is wrong with it.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Landmark coordinates, in any unit.
    name : str
        How the argument is called in messages.
    n_landmarks, n_dimensions : int, optional
        Numbers of landmarks and dimensions wanted.
    least : int
        Fewest specimens allowed.

    Returns
    -------
    ndarray of shape (n_specimens, n_landmarks, n_dimensions)

    Raises
    ------
    ShapeError
        If the array has not three axes, holds too few specimens, fewer than three
        landmarks, not 2 or 3 dimensions, other numbers of them than wanted, missing or
        infinite values, or a configuration whose landmarks all coincide.
    """
    array = np.asarray(X, dtype=float)
    if array.ndim != 3:
        raise ShapeError(
            f"`{name}` must have shape (n_specimens, n_landmarks, n_dimensions), "
            f"but has shape {array.shape}."
        )
    n, k, d = array.shape
    if n < least:
        raise ShapeError(
            f"`{name}` must hold at least {least} specimens, but holds {n}.",
            "few_specimens",
            least=least,
            found=n,
        )
    if k < 3:
        raise ShapeError(f"`{name}` must have at least 3 landmarks, but has {k}.")
    if d not in (2, 3):
        raise ShapeError(f"`{name}` must have 2 or 3 dimensions, but has {d}.")
    if n_landmarks is not None and k != n_landmarks:
        raise ShapeError(f"`{name}` must have {n_landmarks} landmarks, but has {k}.")
    if n_dimensions is not None and d != n_dimensions:
        raise ShapeError(f"`{name}` must have {n_dimensions} dimensions, but has {d}.")
    # One pass finds nearly every trouble: a sum is finite only if its terms are.
    with np.errstate(invalid="ignore", over="ignore"):
        total = array.sum()
    if not np.isfinite(total) and not np.isfinite(array).all():
        bad = np.flatnonzero(~np.isfinite(array).all(axis=(1, 2)))
        raise ShapeError(
            f"`{name}` has missing or infinite coordinates in specimens {bad[:10].tolist()} "
            "(counted from 0): set the specimens or the landmarks aside first."
        )
    flat = np.flatnonzero((array[:, 0] == array[:, 1]).all(axis=1))
    flat = flat[(array[flat] == array[flat, :1]).all(axis=(1, 2))]
    if flat.size:
        raise ShapeError(
            f"`{name}` has all landmarks at one place in specimens {flat[:10].tolist()} "
            "(counted from 0): they have no size."
        )
    return array
