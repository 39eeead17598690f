"""The templates of surface patches: who carries the placed points, and where these are."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.study.scheme.reading import Patch

__all__ = ["patch_carriers", "patch_points", "template_of"]


def _of_patch(landmarks: pd.DataFrame, patch: str) -> pd.DataFrame:
    stem = landmarks["landmark"].str.rpartition(".")[0]
    return landmarks[(stem == patch) & landmarks["x"].notna()]


def patch_carriers(landmarks: pd.DataFrame, patch: str) -> tuple[str, ...]:
    """Find the specimens on which the points of a patch were placed, sorted."""
    return tuple(sorted(set(_of_patch(landmarks, patch)["specimen"])))


def patch_points(landmarks: pd.DataFrame, patch: str, specimen: str) -> NDArray[np.float64]:
    """Find the points of a patch as they were placed on a specimen.

    In the order of their numbers, in mm, as the scan lies; of the first digitisation that has them,
    in the order of replicates and observers.
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


def template_of(patch: Patch, scanned: Collection[str]) -> str | None:
    """Find the template that the scheme names for a patch, if it has a scan.

    Else any of `patch_carriers` with a scan can serve.
    """
    return patch.template if patch.template in scanned else None
