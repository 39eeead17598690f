"""How strange is strange: distances ranked among those of the known specimens, left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from morpho.inference.membership.known_taxa import LeftOut

__all__ = ["WIDENED", "Reference", "over_ways"]

Array = NDArray[np.float64]

_TIE = 1e-10
# Where there are too few specimens to rank by, the standard deviation of log distances is taken
# to be this much larger: what holds the level with tails of Student's t on four degrees of
# freedom, see benchmarks/verdicts.md.
WIDENED = 1.15


def over_ways(ways: Sequence[LeftOut]) -> tuple[Array, NDArray[np.bool_]]:
    """Relative distances of known specimens left out, over the ways of regarding size.

    Parameters
    ----------
    ways : sequence of LeftOut

    Returns
    -------
    nearest : ndarray of shape (n_specimens, n_taxa)
        The smaller of both ways.
    judged : ndarray of bool, of shape (n_specimens,)
        Those that can be left out in each way.
    """
    nearest = np.min([way.relative for way in ways], axis=0)
    return nearest, np.all([way.judged for way in ways], axis=0)


@dataclass(frozen=True)
class Reference:
    r"""Relative distances of known specimens, each left out, that those of queries are held to.

    A specimen is as strange as its *nearest* taxon tells it, over both ways of regarding size:
    :math:`T_i = \min_{w, g} d_{wg}(i)`. The p-value of a query against taxon :math:`g` is the
    share of known specimens, the query among them, with :math:`T_i \ge d_{wg}`: the largest over
    taxa and ways is then the rank of the query's own :math:`T`, which is uniform, or larger, for
    members of the known taxa whatever the distribution, as long as they and the query are
    exchangeable. (Distances come from fits without the specimen itself, for known specimens as
    for the query: cross-conformal prediction with folds of one.) Taxa are not exchangeable with
    one another where they spread unalike. So where a taxon has specimens enough, the query's
    distance from it is ranked among those of its own as well, and the larger p-value counts.

    Where ranks cannot reach the level, :math:`\log T` of a query is held against the mean and
    standard deviation of the known ones as a new observation of a normal variable,
    :math:`t_{n-1}` with :math:`s \sqrt{1 + 1/n}`, the standard deviation widened.

    Attributes
    ----------
    strangeness : ndarray of shape (n_judged,)
        :math:`T_i`, sorted.
    within : tuple of ndarray
        For each taxon its own specimens' distances from it, sorted.
    alpha : float
        Level that the ranks are to reach.

    References
    ----------
    Vovk, V., Gammerman, A. & Shafer, G. (2005). Algorithmic Learning in a Random World.
    Vovk, V. (2015). Annals of Mathematics and Artificial Intelligence 74, 9-28.
    Barber, R. F., Candes, E. J., Ramdas, A. & Tibshirani, R. J. (2021). The Annals of
    Statistics 49(1), 486-507.
    """

    strangeness: Array
    within: tuple[Array, ...]
    alpha: float

    @classmethod
    def of(cls, ways: Sequence[LeftOut], columns: Array, alpha: float) -> Reference:
        """Collect it from the ways of regarding size.

        Parameters
        ----------
        ways : sequence of LeftOut
        columns : ndarray of shape (n_specimens, n_taxa)
            Which specimen belongs to which taxon, as 0 and 1.
        alpha : float

        Returns
        -------
        Reference
        """
        nearest, judged = over_ways(ways)
        members = (columns > 0) & judged[:, None]
        within = tuple(np.sort(nearest[own, g]) for g, own in enumerate(members.T))
        return cls(np.sort(nearest[judged].min(axis=1)), within, alpha)

    def _ranks(self, count: int) -> bool:
        """Whether ranks among so many reach the level."""
        return 1 / (count + 1) <= self.alpha + _TIE

    @property
    def ranked(self) -> bool:
        """Whether p-values are ranks, not those of a normal variable."""
        return self._ranks(len(self.strangeness))

    def p_values(self, relative: Array) -> Array:
        """P-values against membership in each taxon.

        Parameters
        ----------
        relative : ndarray of shape (n_queries, n_taxa)

        Returns
        -------
        ndarray of shape (n_queries, n_taxa)
            NaN where fewer than three known specimens can be left out, or so few are all alike.
        """
        if not self.ranked:
            return self._by_normal(relative)
        p = self._share(self.strangeness, relative)
        for g, own in enumerate(self.within):
            if self._ranks(len(own)):
                p[:, g] = np.maximum(p[:, g], self._share(own, relative[:, g]))
        return p

    @staticmethod
    def _as_far(known: Array, far: Array) -> NDArray[np.intp]:
        return len(known) - np.searchsorted(known, far * (1 - _TIE), side="left")

    def _share(self, known: Array, far: Array) -> Array:
        share = (1 + self._as_far(known, far)) / (1 + len(known))
        return np.where(np.isnan(far), np.nan, share)

    def _normal(self) -> tuple[float, float]:
        logs = np.log(np.maximum(self.strangeness, np.finfo(float).tiny))
        spread = logs.std(ddof=1) * WIDENED * np.sqrt(1 + 1 / len(logs))
        # where all are alike but for rounding there is nothing to measure by
        return float(logs.mean()), float(spread) if spread > _TIE else np.nan

    def _by_normal(self, relative: Array) -> Array:
        if len(self.strangeness) < 3:
            return np.full(relative.shape, np.nan)
        mean, spread = self._normal()
        with np.errstate(divide="ignore"):
            away = (np.log(relative) - mean) / spread
        return stdtr(len(self.strangeness) - 1, -away)

    def critical(self) -> Array:
        """Relative distance from each taxon beyond which it rejects.

        Returns
        -------
        ndarray of shape (n_taxa,)
            Infinite or NaN where there are no p-values.
        """
        if not self.ranked:
            if len(self.strangeness) < 3:
                return np.full(len(self.within), np.inf)
            mean, spread = self._normal()
            far = -stdtrit(len(self.strangeness) - 1, self.alpha)
            return np.full(len(self.within), np.exp(mean + far * spread))
        least = self._least(self.strangeness)
        own = [self._least(x) if self._ranks(len(x)) else least for x in self.within]
        return np.maximum(least, own)

    def _least(self, known: Array) -> float:
        as_far = int(np.floor(self.alpha * (len(known) + 1) + _TIE)) - 1
        return float(known[len(known) - 1 - as_far])

    def as_strange(self, strangeness: float) -> int:
        """How many known specimens are as strange as a query.

        Parameters
        ----------
        strangeness : float
            Its smallest relative distance.

        Returns
        -------
        int
        """
        return int(self._as_far(self.strangeness, np.array(strangeness)))
