"""From evidence to a verdict: outside, inside or undecided, and the ground it rests on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership import Evidence

__all__ = ["Decision", "combine", "decide"]

# Rank p-values are multiples of one over a whole number; this much is rounding.
_TIE = 1e-10


@dataclass(frozen=True)
class Decision:
    """A verdict and the ground it rests on.

    Attributes
    ----------
    verdict : {'outside', 'inside', 'undecided'}
    ground : str
        `all_reject`: each taxon's test rejects, and no ranking contradicts;
        `one_keeps`: at least one taxon does not reject;
        `rank_contradicts`: each test rejects, but a taxon has members that lie as far out;
        `few_specimens`: only taxa too small to judge by do not reject;
        `no_power`: this sample could not have rejected;
        and, of two decisions with and without size, `size_explains`, `size_hides`,
        `one_undecided`.
    taxon : str
        The taxon that the ground speaks of: the one that keeps the query best, or the
        one nearest to rejection's failure.
    """

    verdict: str
    ground: str
    taxon: str


def _stands(evidence: Evidence, query: int, alpha: float) -> NDArray[np.bool_]:
    """Whether at least one ground on which each taxon rejects is not contradicted."""
    tests = np.stack([evidence.typicality_probability[query], evidence.pooled_rank_p_value[query]])
    ranks = np.stack([evidence.axes_rank_p_value[query], evidence.rank_p_value[query]])
    # each of the two tests is made at half the level, see `Evidence.p_value`
    rejects = tests * (~np.isnan(tests)).sum(axis=0) <= alpha
    agrees = (ranks <= evidence.rank_floor + _TIE) | (ranks <= alpha)
    return (rejects & agrees).any(axis=0)


def decide(evidence: Evidence, query: int, *, alpha: float, smallest_taxon: int) -> Decision:
    """Verdict for one query from its evidence.

    *Outside* needs the test of every taxon to reject at level `alpha`: an
    intersection-union test, which holds that level without further correction
    (Berger 1982, Technometrics 24, 295-300). A rejection must not be contradicted by
    the taxon's own members. Typicality is held against their rank on the axes
    retained, the pooled rank against their rank by Procrustes distance: where a member
    lies as far out as the query (rank p-value above its floor and above `alpha`), that
    ground for rejection falls away, and where none is left the query stays undecided.

    Parameters
    ----------
    evidence : Evidence
    query : int
        Row of the evidence.
    alpha : float
        Level of the tests.
    smallest_taxon : int
        *Inside* is not concluded from a taxon with fewer specimens.

    Returns
    -------
    Decision
    """
    p = evidence.p_value[query]
    taxa = evidence.taxa
    rejects = p <= alpha
    best = int(np.argmax(p))
    if rejects.all():
        contradicted = ~_stands(evidence, query, alpha)
        if contradicted.any():
            rank = np.where(contradicted, evidence.rank_p_value[query], -1.0)
            return Decision("undecided", "rank_contradicts", str(taxa[int(np.argmax(rank))]))
        return Decision("outside", "all_reject", str(taxa[best]))
    floor = evidence.pooled_rank_floor[query]
    able = ~np.isnan(evidence.typicality_probability[query]) | (floor <= alpha)
    large = evidence.specimens >= smallest_taxon
    keeps = ~rejects & able & large
    if keeps.any():
        return Decision("inside", "one_keeps", str(taxa[int(np.argmax(np.where(keeps, p, -1.0)))]))
    ground = "few_specimens" if (~rejects & able).any() else "no_power"
    return Decision("undecided", ground, str(taxa[best]))


def combine(as_is: Decision, size_heeded: Decision | None) -> Decision:
    """One verdict from those without and with regard to size.

    A new form must be outside in both: as it is, and at its own size on the growth
    line of every taxon. A difference that goes away once size is heeded is explained
    by size; one that only comes with it is left undecided.

    Parameters
    ----------
    as_is : Decision
    size_heeded : Decision or None
        None where size could not be heeded.

    Returns
    -------
    Decision
    """
    if size_heeded is None:
        return as_is
    pair = (as_is.verdict, size_heeded.verdict)
    if pair[0] == pair[1]:
        return size_heeded
    if pair == ("outside", "inside"):
        return Decision("inside", "size_explains", size_heeded.taxon)
    if pair == ("inside", "outside"):
        return Decision("undecided", "size_hides", as_is.taxon)
    if pair == ("undecided", "inside"):
        return size_heeded
    undecided = as_is if pair[0] == "undecided" else size_heeded
    return Decision("undecided", "one_undecided", undecided.taxon)
