"""Sizes that cannot be right: units, decimal marks, and other outliers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["size_slips"]

Array = NDArray[np.float64]

# Sizes within this factor of a slip's (tens, inches) are taken for that slip.
_NEAR = 1.6
_SLIPS = {10.0: "centimetres", 25.4: "inches", 100.0: "a shifted decimal mark", 1000.0: "metres"}
# Smallest ratio to the taxon's median that is suspected, and robust deviations beyond it.
_LEAST_RATIO = 2.0
_DEVIATIONS = 6.0
_TO_SD = 1.4826


def size_slips(
    sizes: Array, taxa: NDArray, own: NDArray[np.bool_]
) -> list[tuple[int, str, str, float, float, float, str]]:
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
    list of tuple
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
        ratio = float(np.exp(abs(gap)))
        told = f"{ratio:.3g} times" if gap > 0 else f"1/{ratio:.3g} of"
        after = abs(abs(gap) - np.log(factor))
        text = f"It has {told} the size that is usual in its taxon."
        if after < np.log(_NEAR):
            way = "divided" if gap > 0 else "multiplied"
            why = _SLIPS[factor] if gap < 0 or factor == 100.0 else f"a unit {factor:g} times finer"
            text += (
                f" That is near a factor of {factor:g}, as {why} would give: check its unit; "
                f"{way} by {factor:g} it is as usual."
            )
        else:
            after = abs(gap)
            text += " Check its unit, its scan's scale and its taxon."
        rows.append((int(i), "size", "", float(abs(gap)), float(after), float(limit), text))
    return rows
