"""One runner for every permutation test: orders drawn, p-values counted, effect sizes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice, permutations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["PermutationResult", "permutation_test", "tail_p_value"]

Array = NDArray[np.float64]

# Statistics this close to the observed one, as a share of it, count as ties.
_TIE = 1e-10
# Numbers of a block of orders: small enough to stay in cache, large enough for BLAS.
_BLOCK = 500


@dataclass(frozen=True)
class PermutationResult:
    """Outcome of a permutation test; arrays run over the statistics tested at once.

    Attributes
    ----------
    observed : ndarray of shape (n_statistics,)
    null : ndarray of shape (n_permutations, n_statistics)
        Statistics under the permutations; of all orders where `exact`.
    exact : bool
        Whether every order of the specimens was gone through.
    p_value : ndarray of shape (n_statistics,)
        NaN without permutations.
    """

    observed: Array
    null: Array
    exact: bool
    p_value: Array

    @property
    def count(self) -> int:
        """Number of permutations behind the p-values."""
        return len(self.null)

    def effect_size(self) -> Array:
        r"""Observed statistics in standard deviations of their null distribution.

        Both on the log scale: :math:`Z = (\ln T - \overline{\ln T^*}) / s(\ln T^*)`
        (Collyer, Sekora & Adams 2015, Heredity 115, 357-365). NaN where the null
        distribution has no spread or a statistic is not positive.
        """
        result = np.full(len(self.observed), np.nan)
        positive = (self.observed > 0) & np.isfinite(self.observed)
        if len(self.null):
            positive &= (self.null > 0).all(axis=0)
        if len(self.null) < 2 or not positive.any():
            return result
        logs = np.log(self.null[:, positive])
        spread = logs.std(axis=0, ddof=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (np.log(self.observed[positive]) - logs.mean(axis=0)) / spread
        result[positive] = np.where(spread > 0, z, np.nan)
        return result


def tail_p_value(observed: Array, null: Array, *, exact: bool = False) -> Array:
    r"""P-values from a null distribution; large statistics speak against the null.

    Sampled: :math:`(b + 1) / (m + 1)` with :math:`b` of :math:`m` null statistics at
    least as large as the observed one (Phipson & Smyth 2010, Statistical
    Applications in Genetics and Molecular Biology 9(1), Article 39). All orders gone
    through: :math:`b / m`. A relative difference of 1e-10 counts as a tie.

    Parameters
    ----------
    observed : ndarray of shape (n_statistics,)
    null : ndarray of shape (n_permutations, n_statistics)
    exact : bool

    Returns
    -------
    ndarray of shape (n_statistics,)
        NaN where there are no permutations, or the statistic is not a number. A null
        statistic that is not a number counts as reached.
    """
    observed = np.atleast_1d(np.asarray(observed, dtype=float))
    if len(null) == 0:
        return np.full(observed.shape, np.nan)
    slack = _TIE * np.where(np.isfinite(observed), np.abs(observed), 0.0)
    reached = (~(null < observed - slack)).sum(axis=0)
    p = reached / len(null) if exact else (reached + 1) / (len(null) + 1)
    return np.where(np.isnan(observed), np.nan, p)


def _blocks(
    n: int, count: int, exact: bool, groups: list[NDArray], rng: np.random.Generator
) -> Iterator[NDArray]:
    if exact:
        orders = permutations(range(n))
        while block := list(islice(orders, _BLOCK)):
            yield np.array(block, dtype=np.intp)
        return
    for start in range(0, count, _BLOCK):
        size = min(_BLOCK, count - start)
        drawn = np.tile(np.arange(n), (size, 1))
        for group in groups:
            drawn[:, group] = rng.permuted(drawn[:, group], axis=1)
        yield drawn


def permutation_test(
    statistic: Callable[[NDArray], Array],
    n: int,
    *,
    permutations: int,
    within: ArrayLike | None = None,
    random_state: int | np.random.Generator | None = None,
) -> PermutationResult:
    """Compare statistics with their values under random orders of the specimens.

    Parameters
    ----------
    statistic : callable
        Takes orders, an integer array of shape (n_orders, n), and gives statistics
        of shape (n_orders, n_statistics), each larger the more it speaks against
        the null hypothesis.
    n : int
        Number of specimens.
    permutations : int
        How many orders are drawn. If all n! orders are no more than this, each is
        gone through once and the test is exact; 0 gives NaN for p.
    within : array-like of shape (n,), optional
        Groups: specimens change places with those of their own group only, and orders are
        always drawn.
    random_state : int, Generator or None
        Source of the orders; not touched by an exact test.

    Returns
    -------
    PermutationResult

    Raises
    ------
    ValueError
        If `permutations` is negative.
    """
    if permutations < 0:
        raise ValueError(f"`permutations` must be 0 or more, but is {permutations}.")
    rng = np.random.default_rng(random_state)
    observed = np.asarray(statistic(np.arange(n)[None]))[0]
    groups = [np.arange(n)]
    if within is not None:
        codes = np.unique(np.asarray(within), return_inverse=True)[1]
        groups = [np.flatnonzero(codes == g) for g in range(codes.max() + 1)]
    exact = within is None and permutations > 0 and n < 20 and math.factorial(n) <= permutations
    null = [statistic(block) for block in _blocks(n, permutations, exact, groups, rng)]
    table = np.concatenate(null) if null else np.empty((0, len(observed)))
    return PermutationResult(observed, table, exact, tail_p_value(observed, table, exact=exact))
