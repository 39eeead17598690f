"""Arrays as tidy rows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["tidy"]

Array = NDArray[np.float64]


def tidy(X: Array, specimens: Sequence[str], landmarks: Sequence[str]) -> pd.DataFrame:
    """Rows specimen, landmark, x, y, z from configurations."""
    n, k, _ = X.shape
    table = pd.DataFrame(X.reshape(n * k, 3), columns=["x", "y", "z"])
    table.insert(0, "landmark", np.tile(np.asarray(landmarks, dtype=object), n))
    table.insert(0, "specimen", np.repeat(np.asarray(specimens, dtype=object), k))
    return table
