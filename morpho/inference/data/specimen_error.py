"""How well each specimen was digitised: from its own replicates, or from those of others."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.shape.replicates import rigidly_onto

__all__ = ["point_errors", "specimen_errors"]

Array = NDArray[np.float64]

# Fewest landmarks that replicates of a specimen are compared by.
_FEWEST = 4


def _deviations(X: Array) -> tuple[float, int]:
    """Summed squares of replicates about their mean, in mm, and their degrees of freedom.

    Three rotations and three shifts are taken off for each replicate but one.
    """
    aligned = np.stack([rigidly_onto(each, X[0]) for each in X])
    squares = float(((aligned - aligned.mean(axis=0)) ** 2).sum())
    return squares, (len(X) - 1) * (3 * X.shape[1] - 6)


def specimen_errors(X: ArrayLike, specimens: ArrayLike, groups: ArrayLike) -> pd.DataFrame:
    """Digitising error of each specimen, by the nearest replicates that tell it.

    Parameters
    ----------
    X : array-like of shape (n_digitisations, n_landmarks, 3)
        In mm, in any pose, bones of one side; NaN where a landmark is missing.
    specimens : array-like of shape (n_digitisations,)
    groups : array-like of shape (n_digitisations,)
        Who or what made each digitisation; blank where that is not told.

    Returns
    -------
    DataFrame
        `specimen`; `digitisations`; `error_mm`, the root mean square distance of a landmark from
        its true place in one digitisation; `told_by`: 'itself' where the specimen has replicates
        by one group, 'group' where others of its groups have, 'others' where only others do, and
        blank, with NaN, where nothing does.

    Notes
    -----
    Variances are pooled over replicates of a specimen by the same group, with 3k - 6 degrees of
    freedom for each digitisation of k landmarks but the first.
    """
    X, names, groups = np.asarray(X, float), np.asarray(specimens), np.asarray(groups)
    found: dict[tuple[str, str], tuple[float, int]] = {}
    for name in np.unique(names):
        for group in np.unique(groups[names == name]):
            part = X[(names == name) & (groups == group)]
            there = ~np.isnan(part).any(axis=(0, 2))
            if len(part) > 1 and there.sum() >= _FEWEST:
                found[str(name), str(group)] = _deviations(part[:, there])

    def pooled(chosen: list[tuple[float, int]]) -> float:
        squares, free = (sum(each) for each in zip(*chosen, strict=True))
        return float(np.sqrt(3 * squares / free))

    rows = []
    for name in np.unique(names):
        own = set(groups[names == name].astype(str).tolist())
        by = {
            "itself": [v for key, v in found.items() if key[0] == str(name)],
            "group": [v for key, v in found.items() if key[1] in own],
            "others": list(found.values()),
        }
        told = next((which for which, chosen in by.items() if chosen), "")
        error = pooled(by[told]) if told else np.nan
        rows.append((str(name), int((names == name).sum()), error, told))
    return pd.DataFrame(rows, columns=["specimen", "digitisations", "error_mm", "told_by"])


def point_errors(error_mm: ArrayLike, digitisations: ArrayLike, landmarks_mm: ArrayLike) -> Array:
    """Error of every point of specimens whose digitisations were averaged.

    Parameters
    ----------
    error_mm : array-like of shape (n_specimens,)
        Of one digitisation of each, over landmarks.
    digitisations : array-like of shape (n_specimens,)
        How many were averaged.
    landmarks_mm : array-like of shape (n_points,)
        Error of each point over all specimens, which tells how errors differ between points; the
        median where it is NaN.

    Returns
    -------
    ndarray of shape (n_specimens, n_points)
        Root mean square distances in mm.
    """
    points = np.asarray(landmarks_mm, dtype=float)
    points = np.where(np.isnan(points), np.nanmedian(points), points)
    whole = float(np.sqrt((points**2).mean()))
    shares = points / whole if whole > 0 else np.ones_like(points)
    one = np.asarray(error_mm, float) / np.sqrt(np.asarray(digitisations, float))
    return one[:, None] * shares
