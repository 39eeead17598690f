"""Who takes part, on which points, and on which side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.shape.missing import landmarks_present
from morpho.shape.symmetry.sides import commoner_side

if TYPE_CHECKING:
    from morpho.study.settings.blocks import Missing

__all__ = ["mirrored_specimens", "set_aside"]

Array = NDArray[np.float64]


def mirrored_specimens(
    sides: pd.Series, known: pd.Series, symmetry: str, wanted: str
) -> tuple[NDArray[np.bool_], str]:
    """Which specimens have to be mirrored so that all are of one side.

    Parameters
    ----------
    sides : Series of str
        left, right or blank; a blank is taken for the side that is kept.
    known : Series of bool
        The specimens that the commoner side is counted among.
    symmetry : str
        Symmetry of the scheme; only 'matching' elements are mirrored.
    wanted : {'commoner', 'left', 'right'}

    Returns
    -------
    mirrored : ndarray of bool, of shape (n_specimens,)
    side : str
        The side that all are now; blank where nothing was to mirror.
    """
    if symmetry != "matching" or not sides.isin(["left", "right"]).any():
        return np.zeros(len(sides), dtype=bool), ""
    side = commoner_side(sides[known].tolist()) if wanted == "commoner" else wanted
    other = "left" if side == "right" else "right"
    return (sides == other).to_numpy(), side


def set_aside(
    X: Array, table: pd.DataFrame, names: Sequence[str], n_landmarks: int, rule: Missing
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Decide who takes part and on which points, as study.yaml says.

    Parameters
    ----------
    X : ndarray of shape (n_specimens, n_points, 3)
        Landmarks first, then semilandmarks; NaN where missing.
    table : DataFrame
        By specimen, with its `role`.
    names : sequence of str
        Names of the points.
    n_landmarks : int
        How many of them are landmarks: their share decides whether too little is left.
    rule : Missing
        What study.yaml says of missing landmarks.

    Returns
    -------
    table : DataFrame
        With `landmarks_present`, `missing_landmarks`, `used`, and for those who do not take part
        `set_aside`, a key word, and the `missing_points` that they are set aside for.
    used : ndarray of bool, of shape (n_points,)
        Points that are analysed: those that all have who are there to be taken as they
        are; missing ones of the others are estimated.
    """
    present = landmarks_present(X)
    share = present[:, :n_landmarks].mean(axis=1)
    aside, points, estimated = [], [], []
    treated = {"known": rule.known, "query": rule.query}
    for role, has, part in zip(table["role"], present, share, strict=True):
        lost = [name for name, there in zip(names, has, strict=True) if not there]
        little = part < rule.smallest_share
        for_points = not little and bool(lost) and treated[role] == "set_aside"
        aside.append("too_little" if little else "missing_points" if for_points else "")
        points.append(" ".join(lost) if for_points else "")
        estimated.append(treated[role] == "estimate")
    table = table.assign(
        landmarks_present=present[:, :n_landmarks].sum(axis=1),
        missing_landmarks=[
            " ".join(np.array(names)[:n_landmarks][~has[:n_landmarks]]) for has in present
        ],
        used=[not why for why in aside],
        set_aside=aside,
        missing_points=points,
    )
    kept = table["used"].to_numpy()
    counted = kept & ~np.array(estimated)
    used = present[counted].all(axis=0) if counted.any() else np.ones(len(names), dtype=bool)
    # a point that nobody has cannot be estimated
    return table, used & present[kept].any(axis=0)
