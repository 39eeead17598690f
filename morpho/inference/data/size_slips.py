"""Sizes that cannot be right: units, decimal marks, and other outliers."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["size_slips"]

Array = NDArray[np.float64]

# Sizes within this factor of a slip's (tens, inches) are taken for that slip.
_NEAR = 1.6
# Factors between mm and cm, inches and m; 100 for a shifted decimal mark.
_SLIPS = (10.0, 25.4, 100.0, 1000.0)
# Smallest ratio to the taxon's median that is suspected, and robust deviations beyond it.
_LEAST_RATIO = 2.0
_DEVIATIONS = 6.0
_TO_SD = 1.4826


def size_slips(sizes: Array, taxa: NDArray, own: NDArray[np.bool_]) -> list[dict[str, Any]]:
    """Digitisations that are far too large or too small for their taxon.

    Parameters
    ----------
    sizes : ndarray of shape (n_digitisations,)
        Centroid sizes; NaN is passed over.
    taxa : ndarray of str, of shape (n_digitisations,)
        The taxon that each is held against.
    own : ndarray of bool, of shape (n_digitisations,)
        Whether that is its own; any other is suspected only if it is off from all taxa.

    Returns
    -------
    list of dict
        Rows of `morpho.inference.data.screening.screen`, of the kind `size`.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(sizes > 0, np.log(sizes), np.nan)
    basis = (own if own.any() else np.ones(len(sizes), dtype=bool)) & ~np.isnan(logs)
    medians = {t: float(np.median(logs[basis & (taxa == t)])) for t in np.unique(taxa[basis])}
    if not medians:
        return []
    off = np.array([x - medians.get(t, np.nan) for x, t in zip(logs, taxa, strict=True)])
    scale = _TO_SD * float(np.median(np.abs(off[basis])))
    limit = max(np.log(_LEAST_RATIO), _DEVIATIONS * scale)
    everywhere = np.array(list(medians.values()))
    rows = []
    for i in np.flatnonzero(~np.isnan(logs)):
        gap = off[i]
        if not own[i]:
            gaps = logs[i] - everywhere
            gap = gaps[np.abs(gaps).argmin()]
        if not abs(gap) > limit:
            continue
        factor = min(_SLIPS, key=lambda f: abs(abs(gap) - np.log(f)))
        after = float(abs(abs(gap) - np.log(factor)))
        near = after < np.log(_NEAR)
        rows.append(
            {
                "digitisation": int(i),
                "kind": "size",
                "distance_before": float(abs(gap)),
                "distance_after": after if near else float(abs(gap)),
                "threshold": float(limit),
                "times_usual": float(np.exp(gap)),
                "factor": factor if near else np.nan,
            }
        )
    return rows
