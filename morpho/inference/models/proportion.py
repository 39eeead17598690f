"""Shares of trials, and how well they are known."""

from __future__ import annotations

import numpy as np
from scipy.special import betaincinv

__all__ = ["exact_interval"]


def exact_interval(count: int, total: int, level: float = 0.95) -> tuple[float, float]:
    """Exact binomial confidence interval of a share.

    Parameters
    ----------
    count, total : int
    level : float

    Returns
    -------
    low, high : float
        NaN without trials.

    References
    ----------
    Clopper, C. J. & Pearson, E. S. (1934). Biometrika 26(4), 404-413.
    """
    if total == 0:
        return np.nan, np.nan
    tail = (1 - level) / 2
    low = betaincinv(count, total - count + 1, tail) if count else 0.0
    high = betaincinv(count + 1, total - count, 1 - tail) if count < total else 1.0
    return float(low), float(high)
