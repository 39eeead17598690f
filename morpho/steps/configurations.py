"""Labelled tables to arrays and back: what the prepare step joins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.shape.missing import landmarks_present, share_present
from morpho.shape.replicates import average_replicates
from morpho.shape.symmetry import commoner_side, mirror
from morpho.study.landmarks import DIGITISATION

__all__ = ["configurations", "of_one_side", "set_aside", "tidy"]

Array = NDArray[np.float64]


def configurations(landmarks: pd.DataFrame, names: Sequence[str]) -> tuple[Array, pd.Series]:
    """One configuration a specimen, the average of its digitisations.

    Parameters
    ----------
    landmarks : DataFrame
        Tidy rows of one element: specimen, replicate, observer, landmark, x, y, z.
    names : sequence of str
        Landmarks wanted, in order.

    Returns
    -------
    X : ndarray of shape (n_specimens, n_landmarks, 3)
        Specimens in sorted order; missing landmarks are NaN.
    digitisations : Series of int
        Number of digitisations of each, by specimen.
    """
    chosen = landmarks[landmarks["landmark"].isin(names)].copy()
    wide = chosen.pivot(
        index=list(DIGITISATION), columns="landmark", values=["x", "y", "z"]
    ).sort_index()
    order = pd.MultiIndex.from_product([["x", "y", "z"], names])
    flat = wide.reindex(columns=order).to_numpy(dtype=float)
    arrays = flat.reshape(len(wide), 3, len(names)).transpose(0, 2, 1)
    specimens = wide.index.get_level_values("specimen")
    counts = pd.Series(specimens).value_counts().sort_index()
    X = np.stack([average_replicates(arrays[specimens == name]) for name in counts.index])
    return X, counts.rename_axis("specimen").rename("digitisations")


def of_one_side(
    X: Array, sides: pd.Series, symmetry: str, wanted: str
) -> tuple[Array, NDArray[np.bool_], str]:
    """Mirror the elements of one side where an element exists as left and right.

    Parameters
    ----------
    X : ndarray of shape (n_specimens, n_landmarks, 3)
    sides : Series of str
        left, right or blank; a blank is taken for the side that is kept.
    symmetry : str
        Symmetry of the scheme; only 'matching' elements are mirrored.
    wanted : {'commoner', 'left', 'right'}

    Returns
    -------
    X : ndarray of shape (n_specimens, n_landmarks, 3)
    mirrored : ndarray of bool, of shape (n_specimens,)
    side : str
        The side that all are now; blank where nothing was to mirror.
    """
    if symmetry != "matching" or not sides.isin(["left", "right"]).any():
        return X, np.zeros(len(X), dtype=bool), ""
    side = commoner_side(sides.tolist()) if wanted == "commoner" else wanted
    other = "left" if side == "right" else "right"
    mirrored = (sides == other).to_numpy()
    return np.where(mirrored[:, None, None], mirror(X), X), mirrored, side


def set_aside(
    X: Array, table: pd.DataFrame, names: Sequence[str], rule: Mapping[str, Any]
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Decide who takes part and on which landmarks, as study.yaml says.

    Parameters
    ----------
    X : ndarray of shape (n_specimens, n_landmarks, 3)
    table : DataFrame
        By specimen, with its `role`.
    names : sequence of str
        Names of the landmarks.
    rule : mapping
        `smallest_share`, `known` and `query` of study.yaml.

    Returns
    -------
    table : DataFrame
        With `landmarks_present`, `missing_landmarks`, `used` and `reason`.
    used : ndarray of bool, of shape (n_landmarks,)
        Landmarks that all who take part have.
    """
    present = landmarks_present(X)
    share = share_present(X)
    reasons = []
    for role, has, part in zip(table["role"], present, share, strict=True):
        count = f"{int(has.sum())} of {len(names)} landmarks"
        if part < rule["smallest_share"]:
            reasons.append(
                f"too little is left: {count}, less than the {rule['smallest_share']:.0%} asked for"
            )
        elif part < 1 and rule[role] == "set_aside":
            lost = ", ".join(name for name, there in zip(names, has, strict=True) if not there)
            reasons.append(f"set aside for missing landmarks: {lost}")
        else:
            reasons.append("")
    table = table.assign(
        landmarks_present=present.sum(axis=1),
        missing_landmarks=[" ".join(np.array(names)[~has]) for has in present],
        used=[not reason for reason in reasons],
        reason=reasons,
    )
    kept = table["used"].to_numpy()
    return table, present[kept].all(axis=0) & kept.any()


def tidy(X: Array, specimens: Sequence[str], landmarks: Sequence[str]) -> pd.DataFrame:
    """Rows specimen, landmark, x, y, z from configurations.

    Parameters
    ----------
    X : ndarray of shape (n_specimens, n_landmarks, 3)
    specimens, landmarks : sequence of str

    Returns
    -------
    DataFrame
    """
    n, k, _ = X.shape
    table = pd.DataFrame(X.reshape(n * k, 3), columns=["x", "y", "z"])
    table.insert(0, "landmark", np.tile(np.asarray(landmarks, dtype=object), n))
    table.insert(0, "specimen", np.repeat(np.asarray(specimens, dtype=object), k))
    return table
