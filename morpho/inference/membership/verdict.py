"""From evidence to a verdict: outside, inside or undecided, and the ground it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.evidence import Evidence

__all__ = ["Decision", "combine", "decide", "over_error", "over_imputations"]


@dataclass(frozen=True)
class Decision:
    """A verdict and the ground it rests on.

    Attributes
    ----------
    verdict : {'outside', 'inside', 'undecided'}
    ground : str
        `all_reject`: each taxon's test rejects, and nothing contradicts it;
        `one_keeps`: at least one taxon does not reject;
        `spread_unknown`: each test rejects, but a taxon is known by one specimen only;
        `extrapolates`: each test rejects, but one of them only at a size at which its taxon was
        not measured, and taxa are known not to share one growth line;
        `few_specimens`: only taxa too small to judge by do not reject, or all are small;
        `no_power`: too few specimens can be left out to rank anything by;
        of two decisions with and without size, `size_explains`, `size_hides`,
        `one_undecided`; `error_unknown`: a digitising error that cannot be ruled out explains
        it; and, of decisions over imputations, `imputation_turns`.
    taxon : str
        The taxon that the ground speaks of: the one that keeps the query best, or the
        one nearest to rejection's failure.
    blocking : tuple of str
        Where each test rejects and the verdict is undecided all the same: the taxa for which
        it is, all of them.
    kept : tuple of str
        Taxa that keep the query, all of them, the nearest by relative distance first: those of
        the way that the ground speaks of, which is as it is for `size_hides`, and else at its
        own size where size is heeded.
    """

    verdict: str
    ground: str
    taxon: str
    blocking: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


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
    (Berger 1982, Technometrics 24(4), 295-300), given that each test holds it.

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
    if np.isnan(p).any():
        nearest = int(np.argmin(evidence.comparable_distance[query]))
        return Decision("undecided", "no_power", str(taxa[nearest]))
    rejects = p <= alpha
    large = evidence.specimens >= smallest_taxon
    best = int(np.argmax(p))

    def worst(which: NDArray[np.bool_]) -> str:
        return str(taxa[int(np.argmax(np.where(which, p, -1.0)))])

    def named(which: NDArray[Any]) -> tuple[str, ...]:
        return tuple(taxa[which].astype(str).tolist())

    if not large.any():
        return Decision("undecided", "few_specimens", str(taxa[best]))
    if rejects.all():
        alone = evidence.specimens < 2
        if alone.any():
            return Decision("undecided", "spread_unknown", worst(alone), named(alone))
        beyond = evidence.beyond_sizes[query] & slopes_differ
        if p_within_sizes is not None:
            beyond &= p_within_sizes > alpha
        if beyond.any():
            return Decision("undecided", "extrapolates", worst(beyond), named(beyond))
        return Decision("outside", "all_reject", str(taxa[best]))
    keeps = ~rejects & large
    if not keeps.any():
        return Decision("undecided", "few_specimens", str(taxa[best]))
    order = np.argsort(evidence.relative_distance[query], kind="stable")
    return Decision("inside", "one_keeps", worst(keeps), kept=named(order[keeps[order]]))


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


def over_error(verdict: Decision, doubtful: Decision) -> Decision:
    """The verdict that is left where it cannot be told how well a query was digitised.

    Parameters
    ----------
    verdict, doubtful : Decision
        With the error that it is taken to have, and with one that cannot be ruled out.

    Returns
    -------
    Decision
    """
    if verdict.verdict == "outside" and doubtful.verdict != "outside":
        return Decision("undecided", "error_unknown", doubtful.taxon)
    return verdict


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
