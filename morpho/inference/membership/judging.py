"""From shapes and sizes to evidence and verdicts: the whole procedure of one judgement."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.placing import KnownTaxa
from morpho.inference.membership.typicality import Membership
from morpho.inference.membership.verdict import Decision, combine, decide
from morpho.inference.models.design import InferenceError, check_matrix
from morpho.inference.models.principal_axes import principal_axes
from morpho.inference.models.slopes import own_slope_taxa

__all__ = ["WAYS", "Judgement", "Rules", "Shapes", "judge"]

Array = NDArray[np.float64]
WAYS = {False: "as it is", True: "size heeded"}


@dataclass(frozen=True)
class Shapes:
    """Specimens as the tests see them, row by row.

    Attributes
    ----------
    tangent : ndarray of shape (n_specimens, n_variables)
    log_size : ndarray of shape (n_specimens,)
        Natural logarithms of centroid sizes.
    taxon : ndarray of shape (n_specimens,)
        Of known specimens; not used of queries.
    """

    tangent: Array
    log_size: Array
    taxon: NDArray[Any]


@dataclass(frozen=True)
class Rules:
    """What verdicts are made by.

    Attributes
    ----------
    alpha : float
    smallest_taxon : int
    slopes_p_value : float or None
        Of the test that taxa share one growth line.
    shape_space : dict
        Rule for the number of axes: the arguments `axes`, `share` and `most` of
        `KnownTaxa.number_of_axes`.
    seed : int
    covariance : str
        See `KnownTaxa.place`.
    n_axes : int or None
        Number of axes, in place of the rule.
    within_sizes : bool
        Whether growth lines are read off at measured sizes only.
    """

    alpha: float
    smallest_taxon: int
    slopes_p_value: float | None
    shape_space: dict[str, Any]
    seed: int
    covariance: str = "pooled"
    n_axes: int | None = None
    within_sizes: bool = False

    @property
    def slopes_differ(self) -> bool:
        """Whether taxa are known not to share one growth line."""
        return self.slopes_p_value is not None and self.slopes_p_value <= self.alpha


@dataclass(frozen=True)
class Judgement:
    """Evidence and decisions for all queries of an element.

    Attributes
    ----------
    models, evidence : dict of bool to Membership, Evidence
        By whether size is heeded; without the one that could not be fitted.
    axes : dict of bool to tuple of int and float
        Axes within taxa, and their share of the variance there.
    own_slopes : tuple of str
        Taxa with a growth line of their own; the others share one.
    decisions : list of dict of bool to Decision
        One for each query.
    verdicts : list of Decision
        The two combined.
    trouble : dict of bool to InferenceError
        Why it could not be fitted, by whether size is heeded.
    """

    models: dict[bool, Membership]
    evidence: dict[bool, Evidence]
    axes: dict[bool, tuple[int, float]]
    own_slopes: tuple[str, ...]
    decisions: list[dict[bool, Decision]]
    verdicts: list[Decision]
    trouble: dict[bool, InferenceError]

    def facts(self, i: int, alpha: float) -> dict[str, Any]:
        """What is told of a query beyond its decision.

        Parameters
        ----------
        i : int
            Number of the query.
        alpha : float

        Returns
        -------
        dict
        """
        found = list(self.evidence.values())
        ranks = [
            np.nan_to_num(r[i]) <= e.rank_floor + 1e-10
            for e in found
            for r in (e.rank_p_value, e.axes_rank_p_value)
        ]
        tests = [1 + ~np.isnan(e.typicality_probability[i]) for e in found]
        pooled = [t * e.pooled_rank_p_value[i] <= alpha for t, e in zip(tests, found, strict=True)]
        last = found[-1]
        beyond = last.taxa[last.beyond_sizes[i]]
        return {
            "beyond_all_members": bool(np.all(ranks)),
            "ranking_rejects": bool(np.all(pooled)),
            "nearest_taxon": str(last.taxa[np.argmin(last.comparable_distance[i])]),
            "beyond_sizes_of": ", ".join(beyond.tolist()),
            "p_value_as_it_is": float(self.evidence[False].p_value[i].max()),
            "p_value_size_heeded": (
                float(self.evidence[True].p_value[i].max()) if True in self.evidence else np.nan
            ),
            "blocking": "; ".join(self.verdicts[i].blocking),
            "taxa_not_rejected": "; ".join(self.verdicts[i].kept),
        }


def judge(known: Shapes, queries: Shapes, rules: Rules, *, shared_axes: int = 1) -> Judgement:
    """Hold queries against the known taxa, as they are and at their own sizes.

    Parameters
    ----------
    known, queries : Shapes
    rules : Rules
    shared_axes : int
        Number of principal axes for the posterior probabilities.

    Returns
    -------
    Judgement
        Without decisions where the known specimens are too few to judge by.
    """
    models: dict[bool, Membership] = {}
    evidence: dict[bool, Evidence] = {}
    axes: dict[bool, tuple[int, float]] = {}
    trouble: dict[bool, InferenceError] = {}
    own: tuple[str, ...] = ()
    shared: Array | None = None
    within: Array | None = None
    for heeded in WAYS:
        size, at = (known.log_size, queries.log_size) if heeded else (None, None)
        try:
            if heeded:
                own = own_slope_taxa(
                    known.taxon, known.log_size, rules.slopes_p_value, alpha=rules.alpha
                )
            if shared is None:
                shared = principal_axes(check_matrix(known.tangent), shared_axes)
            taxa = KnownTaxa(known.tangent, known.taxon, size, own_slopes=own, axes=shared)
            count, share = taxa.number_of_axes(**rules.shape_space, random_state=rules.seed)
            axes[heeded] = (rules.n_axes or count, share)
            models[heeded] = taxa.model
            if len(queries.tangent):
                place = partial(
                    taxa.place,
                    queries.tangent,
                    at,
                    n_axes=axes[heeded][0],
                    covariance=rules.covariance,
                )
                found = place(within_sizes=rules.within_sizes and heeded)
                evidence[heeded] = found
                if rules.slopes_differ and found.beyond_sizes.any():
                    within = place(within_sizes=True).p_value
        except InferenceError as error:
            trouble[heeded] = error
    decisions, verdicts = [], []
    for i in range(len(queries.tangent) if False in evidence else 0):
        pair = {
            heeded: decide(
                found,
                i,
                alpha=rules.alpha,
                smallest_taxon=rules.smallest_taxon,
                slopes_differ=rules.slopes_differ,
                p_within_sizes=None if within is None else within[i],
            )
            for heeded, found in evidence.items()
        }
        decisions.append(pair)
        verdicts.append(combine(pair[False], pair.get(True)))
    return Judgement(models, evidence, axes, own, decisions, verdicts, trouble)
