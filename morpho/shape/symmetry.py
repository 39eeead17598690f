"""Left and right: mirroring the elements of one side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["commoner_side", "mirror"]


def mirror(X: ArrayLike) -> NDArray[np.float64]:
    """Mirror images of configurations, in the plane square to the last coordinate.

    Any plane would do: superimposition takes out the pose that is left.

    Parameters
    ----------
    X : array-like of shape (..., n_landmarks, n_dimensions)

    Returns
    -------
    ndarray of the shape of `X`
    """
    X = np.array(X, dtype=float)
    X[..., -1] *= -1
    return X


def commoner_side(sides: Sequence[str]) -> str:
    """Return 'left' or 'right', whichever stands more often in `sides`; a tie gives 'left'.

    Parameters
    ----------
    sides : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> commoner_side(["left", "right", "right", ""])
    'right'
    """
    sides = list(sides)
    return "right" if sides.count("right") > sides.count("left") else "left"
