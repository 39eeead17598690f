"""Rows of tables: those on a query, and those made of configurations."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["rows_on", "tidy"]


def rows_on(table: pd.DataFrame, specimen: str, taxon: str | None = None) -> pd.DataFrame:
    """Rows on a query (from one taxon, if they say which), at its own size where there are any."""
    part = table[table["specimen"] == specimen]
    if taxon is not None and "taxon" in part:
        part = part[part["taxon"] == taxon]
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]


def tidy(X: NDArray[np.float64], specimens: Sequence[str], points: Sequence[str]) -> pd.DataFrame:
    """Rows specimen, landmark, x, y, z of configurations."""
    index = pd.MultiIndex.from_product([specimens, points], names=["specimen", "landmark"])
    return pd.DataFrame(X.reshape(-1, 3), index, ["x", "y", "z"]).reset_index()
