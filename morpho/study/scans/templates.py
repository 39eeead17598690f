"""The templates of surface patches: who carries the placed points, and where these are."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["patch_carriers", "patch_points"]


def _of_patch(landmarks: pd.DataFrame, patch: str) -> pd.DataFrame:
    stem = landmarks["landmark"].str.rpartition(".")[0]
    return landmarks[(stem == patch) & landmarks["x"].notna()]


def patch_carriers(landmarks: pd.DataFrame, patch: str) -> tuple[str, ...]:
    """Specimens on which the points of a patch were placed, in sorted order."""
    return tuple(sorted(set(_of_patch(landmarks, patch)["specimen"])))


def patch_points(landmarks: pd.DataFrame, patch: str, specimen: str) -> NDArray[np.float64]:
    """Points of a patch as placed on a specimen, in mm, as the scan lies, in order of number.

    Of the first digitisation that has them, in the order of replicates and observers.
    """
    rows = _of_patch(landmarks, patch)
    rows = rows[rows["specimen"] == specimen]
    if rows.empty:
        return np.empty((0, 3))
    first = rows[["replicate", "observer"]].drop_duplicates().sort_values(["replicate", "observer"])
    replicate, observer = first.iloc[0]
    rows = rows[(rows["replicate"] == replicate) & (rows["observer"] == observer)]
    number = rows["landmark"].str.rpartition(".")[2].astype(int)
    return rows.loc[number.sort_values().index, ["x", "y", "z"]].to_numpy(dtype=np.float64)
