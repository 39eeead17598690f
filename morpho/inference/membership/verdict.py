"""From evidence to a verdict: outside, inside or undecided, and the ground it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.evidence import Evidence

__all__ = ["Contradiction", "Decision", "combine", "contradictions", "decide", "over_imputations"]

# Rank p-values are multiples of one over a whole number; this much is rounding.
_TIE = 1e-10


@dataclass(frozen=True)
class Decision:
    """A verdict and the ground it rests on.

    Attributes
    ----------
    verdict : {'outside', 'inside', 'undecided'}
    ground : str
        `all_reject`: each taxon's test rejects, and nothing contradicts it;
        `one_keeps`: at least one taxon does not reject;
        `members_contradict`: each test rejects, but a taxon has members that lie as far
        out, or spreads so widely of itself that this one may be a member;
        `spread_unknown`: each test rejects, but a taxon is known by one specimen only;
        `extrapolates`: each test rejects, but one of them only at a size at which its taxon was
        not measured, and taxa are known not to share one growth line;
        `few_specimens`: only taxa too small to judge by do not reject, or all are small;
        `no_power`: this sample could not have rejected;
        of two decisions with and without size, `size_explains`, `size_hides`,
        `one_undecided`; and, of decisions over imputations, `imputation_turns`.
    taxon : str
        The taxon that the ground speaks of: the one that keeps the query best, or the
        one nearest to rejection's failure.
    blocking : tuple of str
        Where each test rejects and the verdict is undecided all the same: the taxa for which
        it is, all of them.
    kept : tuple of str
        Taxa that keep the query, all of them, the nearest by comparable distance first: those of
        the way that the ground speaks of, which is as it is for `size_hides`, and else at its
        own size where size is heeded.
    """

    verdict: str
    ground: str
    taxon: str
    blocking: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


@dataclass(frozen=True)
class Contradiction:
    """What of a taxon contradicts its test, which rejects.

    Attributes
    ----------
    taxon : str
    rank_p_value, own_spread_p_value : float
        NaN where that does not contradict.
    """

    taxon: str
    rank_p_value: float
    own_spread_p_value: float


def contradictions(evidence: Evidence, query: int, alpha: float) -> list[Contradiction]:
    """Taxa whose own members speak against a rejection, by rank or by their own spread.

    Parameters
    ----------
    evidence : Evidence
    query : int
        Row of the evidence.
    alpha : float

    Returns
    -------
    list of Contradiction
        In the order of the evidence's taxa.
    """
    ranks = np.stack([evidence.axes_rank_p_value[query], evidence.rank_p_value[query]])
    agrees = (ranks <= evidence.rank_floor + _TIE) | (ranks <= alpha) | np.isnan(ranks)
    rank = np.where(agrees, -1.0, ranks).max(axis=0)
    own = evidence.own_spread_p_value[query]
    return [
        Contradiction(
            str(taxon),
            float(rank[g]) if rank[g] >= 0 else float("nan"),
            float(own[g]) if own[g] > alpha else float("nan"),
        )
        for g, taxon in enumerate(evidence.taxa)
        if rank[g] >= 0 or own[g] > alpha
    ]


def decide(
    evidence: Evidence,
    query: int,
    *,
    alpha: float,
    smallest_taxon: int,
    slopes_differ: bool = False,
    p_within_sizes: NDArray[np.float64] | None = None,
) -> Decision:
    """Verdict for one query from its evidence.

    *Outside* needs the test of every taxon to reject at level `alpha`: an
    intersection-union test, which holds that level without further correction
    (Berger 1982, Technometrics 24(4), 295-300), given that each test holds it. The tests
    assume that taxa spread alike; so a rejection must also stand before the taxon's own
    members. It falls where one of them lies as far out as the query, in all of tangent
    space or on the axes (rank p-value above its floor and above `alpha`), or where the
    query's distance is not unusual for the spread of the taxon alone.

    Parameters
    ----------
    evidence : Evidence
    query : int
        Row of the evidence.
    alpha : float
        Level of the tests.
    smallest_taxon : int
        *Inside* is not concluded from a taxon with fewer specimens, and nothing where
        all taxa have fewer.
    slopes_differ : bool
        Whether taxa are known not to share one growth line: a rejection at a size at
        which the taxon was not measured then proves nothing, unless it stands at the
        nearest measured size as well.
    p_within_sizes : ndarray of shape (n_taxa,), optional
        P-values with growth lines read off at measured sizes only.

    Returns
    -------
    Decision
    """
    p = evidence.p_value[query]
    taxa = evidence.taxa
    rejects = p <= alpha
    large = evidence.specimens >= smallest_taxon
    best = int(np.argmax(p))

    def worst(which: NDArray[np.bool_], measure: NDArray[np.float64]) -> str:
        return str(taxa[int(np.argmax(np.where(which, measure, -1.0)))])

    def named(which: NDArray[np.bool_]) -> tuple[str, ...]:
        return tuple(taxa[which].astype(str).tolist())

    def nearest_first(which: NDArray[np.bool_]) -> tuple[str, ...]:
        order = np.argsort(evidence.comparable_distance[query], kind="stable")
        return tuple(taxa[order][which[order]].astype(str).tolist())

    if not large.any():
        return Decision("undecided", "few_specimens", str(taxa[best]))
    if rejects.all():
        against = [found.taxon for found in contradictions(evidence, query, alpha)]
        if against:
            contradicted = np.isin(taxa.astype(str), against)
            taxon = worst(contradicted, evidence.rank_p_value[query])
            return Decision("undecided", "members_contradict", taxon, tuple(against))
        alone = evidence.specimens < 2
        if alone.any():
            return Decision("undecided", "spread_unknown", worst(alone, p), named(alone))
        beyond = evidence.beyond_sizes[query] & slopes_differ
        if p_within_sizes is not None:
            beyond &= p_within_sizes > alpha
        if beyond.any():
            return Decision("undecided", "extrapolates", worst(beyond, p), named(beyond))
        return Decision("outside", "all_reject", str(taxa[best]))
    tests = 1 + ~np.isnan(evidence.typicality_probability[query])
    reachable = tests * evidence.pooled_rank_floor[query] <= alpha
    able = (tests > 1) | reachable
    keeps = ~rejects & able & large
    if keeps.any():
        return Decision("inside", "one_keeps", worst(keeps, p), kept=nearest_first(keeps))
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
        both = tuple(dict.fromkeys((*as_is.blocking, *size_heeded.blocking)))
        return replace(size_heeded, blocking=both)
    if pair == ("outside", "inside"):
        return Decision("inside", "size_explains", size_heeded.taxon, kept=size_heeded.kept)
    if pair == ("inside", "outside"):
        return Decision("undecided", "size_hides", as_is.taxon, kept=as_is.kept)
    if pair == ("undecided", "inside"):
        return size_heeded
    undecided = as_is if pair[0] == "undecided" else size_heeded
    return Decision("undecided", "one_undecided", undecided.taxon, undecided.blocking)


def over_imputations(verdict: Decision, drawn: Sequence[str], *, alpha: float) -> Decision:
    """The verdict that is left once missing landmarks have been drawn several times.

    Parameters
    ----------
    verdict : Decision
        From the estimates themselves.
    drawn : sequence of str
        Verdicts of the imputations; empty where nothing was estimated.
    alpha : float
        The verdict stands if no more than this share of the imputations give another one.

    Returns
    -------
    Decision
    """
    other = sum(one != verdict.verdict for one in drawn)
    if verdict.verdict == "undecided" or other <= alpha * len(drawn):
        return verdict
    return Decision("undecided", "imputation_turns", verdict.taxon)
