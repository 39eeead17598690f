"""From the arrays of an element to evidence and verdicts: what the step place joins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.design import InferenceError
from morpho.inference.evidence import Evidence
from morpho.inference.membership import Membership
from morpho.inference.placing import axes_within_taxa, place_queries
from morpho.inference.verdict import Decision, combine, decide
from morpho.steps.sample import Sample

__all__ = ["Judgement", "Rules", "judge"]

Array = NDArray[np.float64]
WAYS = {False: "as it is", True: "size heeded"}


@dataclass(frozen=True)
class Rules:
    """What verdicts are made by.

    Attributes
    ----------
    alpha : float
    smallest_taxon : int
    slopes_differ : bool
        Whether taxa are known not to share one growth line.
    shape_space : dict
        Rule for the number of axes, as in study.yaml.
    seed : int
    """

    alpha: float
    smallest_taxon: int
    slopes_differ: bool
    shape_space: dict[str, Any]
    seed: int


@dataclass(frozen=True)
class Judgement:
    """Evidence and decisions for all queries of an element.

    Attributes
    ----------
    models, evidence : dict of bool to Membership, Evidence
        By whether size is heeded; without the one that could not be fitted.
    axes : dict of bool to tuple of int and float
        Axes within taxa, and their share of the variance there.
    decisions : list of dict of bool to Decision
        One for each query.
    verdicts : list of Decision
        The two combined.
    trouble : list of str
    """

    models: dict[bool, Membership]
    evidence: dict[bool, Evidence]
    axes: dict[bool, tuple[int, float]]
    decisions: list[dict[bool, Decision]]
    verdicts: list[Decision]
    trouble: list[str]

    def facts(self, i: int, alpha: float) -> dict[str, Any]:
        """What the words on a query need beyond its decision.

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
        }


def judge(sample: Sample, tangent: Array, log_size: Array, rules: Rules) -> Judgement:
    """Hold queries against the known taxa, as they are and at their own sizes.

    Parameters
    ----------
    sample : Sample
        Known specimens of all taxa.
    tangent : ndarray of shape (n_queries, n_variables)
    log_size : ndarray of shape (n_queries,)
    rules : Rules

    Returns
    -------
    Judgement
        Without decisions where the known specimens are too few to judge by.
    """
    models: dict[bool, Membership] = {}
    evidence: dict[bool, Evidence] = {}
    axes: dict[bool, tuple[int, float]] = {}
    trouble = []
    for heeded, way in WAYS.items():
        size, at = (sample.log_size, log_size) if heeded else (None, None)
        try:
            axes[heeded] = axes_within_taxa(
                sample.tangent, sample.taxon, size, **rules.shape_space, random_state=rules.seed
            )
            models[heeded] = Membership().fit(sample.tangent, sample.scores, sample.taxon, size)
            if len(tangent):
                evidence[heeded] = place_queries(
                    sample.tangent,
                    sample.taxon,
                    tangent,
                    n_axes=axes[heeded][0],
                    shared_axes=sample.scores.shape[1],
                    size=size,
                    query_size=at,
                )
        except InferenceError as error:
            trouble.append(f"{way}: {error}")
    decisions, verdicts = [], []
    for i in range(len(tangent) if False in evidence else 0):
        pair = {
            heeded: decide(
                found,
                i,
                alpha=rules.alpha,
                smallest_taxon=rules.smallest_taxon,
                slopes_differ=rules.slopes_differ,
            )
            for heeded, found in evidence.items()
        }
        decisions.append(pair)
        verdicts.append(combine(pair[False], pair.get(True)))
    return Judgement(models, evidence, axes, decisions, verdicts, trouble)
