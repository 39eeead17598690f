"""From shapes and sizes to evidence and verdicts: the whole procedure of one judgement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.calibrated import Reference, over_ways
from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.known_taxa import KnownTaxa, excess
from morpho.inference.membership.verdict import Decision, combine, decide, over_error
from morpho.inference.models.design import InferenceError, check_matrix
from morpho.inference.models.principal_axes import principal_axes
from morpho.inference.models.slopes import own_slope_taxa

__all__ = ["WAYS", "Judgement", "Rules", "Shapes", "fitted", "judge"]

Array = NDArray[np.float64]
WAYS = {False: "as it is", True: "size heeded"}

# Where it cannot be told how well a query was digitised, its verdict is tried with an error so
# many times as large as it is taken to be.
_DOUBTED = 2.0


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
    error : ndarray of shape (n_specimens,), optional
        Variance of a tangent coordinate by digitising; None where it was not measured.
    unmeasured : ndarray of bool, of shape (n_specimens,), optional
        Specimens of which it is inferred from others digitised by others.
    dimensions : int
        Coordinates of a landmark.
    """

    tangent: Array
    log_size: Array
    taxon: NDArray[Any]
    error: Array | None = None
    unmeasured: NDArray[np.bool_] | None = None
    dimensions: int = 1

    def of(self, rows: Sequence[int]) -> Shapes:
        """Some of the specimens.

        Parameters
        ----------
        rows : sequence of int

        Returns
        -------
        Shapes
        """
        arrays = ("tangent", "log_size", "taxon", "error", "unmeasured")
        given = {name: getattr(self, name) for name in arrays}
        return replace(
            self, **{name: each[rows] for name, each in given.items() if each is not None}
        )

    def joined_by(self, tangent: Array, log_size: Array, taxon: Sequence[str]) -> Shapes:
        """Known specimens that others join, digitised as well as these are on average.

        Parameters
        ----------
        tangent : ndarray of shape (n_others, n_variables)
        log_size : ndarray of shape (n_others,)
        taxon : sequence of str

        Returns
        -------
        Shapes
        """
        error = self.error
        if error is not None:
            error = np.append(error, np.full(len(tangent), error.mean()))
        return replace(
            self,
            tangent=np.vstack([self.tangent, tangent]),
            log_size=np.append(self.log_size, log_size),
            taxon=np.append(self.taxon.astype(str), taxon),
            error=error,
            unmeasured=None,
        )


@dataclass(frozen=True)
class Rules:
    """What verdicts are made by.

    Attributes
    ----------
    alpha : float
    smallest_taxon : int
    slopes_p_value : float or None
        Of the test that taxa share one growth line.
    seed : int
    within_sizes : bool
        Whether growth lines are read off at measured sizes only.
    """

    alpha: float
    smallest_taxon: int
    slopes_p_value: float | None
    seed: int
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
    models, evidence : dict of bool to KnownTaxa, Evidence
        By whether size is heeded; without the one that could not be fitted.
    reference : Reference or None
        What distances were held to; None where nothing could be fitted.
    own_slopes : tuple of str
        Taxa with a growth line of their own; the others share one.
    decisions : list of dict of bool to Decision
        One for each query.
    verdicts : list of Decision
        The two combined.
    trouble : dict of bool to InferenceError
        Why it could not be fitted, by whether size is heeded.
    """

    models: dict[bool, KnownTaxa]
    evidence: dict[bool, Evidence]
    reference: Reference | None
    own_slopes: tuple[str, ...]
    decisions: list[dict[bool, Decision]]
    verdicts: list[Decision]
    trouble: dict[bool, InferenceError]

    @property
    def strangeness(self) -> Array:
        """Strangeness of each known specimen, left out; NaN of one alone in its taxon."""
        nearest, judged = over_ways([model.left_out for model in self.models.values()])
        return np.where(judged, nearest.min(axis=1), np.nan)

    def facts(self, i: int) -> dict[str, Any]:
        """What is told of a query beyond its decision.

        Parameters
        ----------
        i : int
            Number of the query.

        Returns
        -------
        dict
        """
        found = list(self.evidence.values())
        last = found[-1]
        beyond = last.taxa[last.beyond_sizes[i]]
        strangeness = min(float(e.relative_distance[i].min()) for e in found)
        assert self.reference is not None
        return {
            "strangeness": strangeness,
            "known_as_strange": self.reference.as_strange(strangeness),
            "known_ranked": len(self.reference.strangeness),
            "by_ranks": self.reference.ranked,
            "nearest_taxon": str(last.taxa[np.argmin(last.comparable_distance[i])]),
            "beyond_sizes_of": ", ".join(beyond.tolist()),
            "p_value_as_it_is": float(self.evidence[False].p_value[i].max()),
            "p_value_size_heeded": (
                float(self.evidence[True].p_value[i].max()) if True in self.evidence else np.nan
            ),
            "blocking": "; ".join(self.verdicts[i].blocking),
            "taxa_not_rejected": "; ".join(self.verdicts[i].kept),
        }


def fitted(
    known: Shapes, rules: Rules, *, shared_axes: int = 1
) -> tuple[dict[bool, KnownTaxa], tuple[str, ...], dict[bool, InferenceError]]:
    """Fit the known taxa, as they are and with size heeded.

    Parameters
    ----------
    known : Shapes
    rules : Rules
    shared_axes : int
        Number of principal axes for the posterior probabilities.

    Returns
    -------
    models : dict of bool to KnownTaxa
    own_slopes : tuple of str
    trouble : dict of bool to InferenceError
    """
    models: dict[bool, KnownTaxa] = {}
    trouble: dict[bool, InferenceError] = {}
    own: tuple[str, ...] = ()
    axes: Array | None = None
    for heeded in WAYS:
        try:
            if heeded:
                own = own_slope_taxa(
                    known.taxon, known.log_size, rules.slopes_p_value, alpha=rules.alpha
                )
            if axes is None:
                axes = principal_axes(check_matrix(known.tangent), shared_axes)
            models[heeded] = KnownTaxa(
                known.tangent,
                known.taxon,
                known.log_size if heeded else None,
                own_slopes=own,
                axes=axes,
                error=known.error,
                dimensions=known.dimensions,
            )
        except InferenceError as error:
            trouble[heeded] = error
    return models, own, trouble


def _excess(known: Shapes, queries: Shapes, model: KnownTaxa, doubted: bool) -> Array | None:
    """Variance of the queries' coordinates by digitising beyond that of the known specimens.

    Where it was not measured, the variance in directions in which known specimens vary least is
    the most that may be error, and has a larger part in a query that is smaller than all of them.
    """
    if known.error is None or queries.error is None:
        if not doubted:
            return None
        share = np.exp(-2 * queries.log_size) / np.exp(-2 * known.log_size).mean() - 1
        smaller = queries.log_size < known.log_size.min()
        return model.covariance.floor * np.where(smaller, share, 0.0)
    error = queries.error
    if doubted and queries.unmeasured is not None:
        error = error * np.where(queries.unmeasured, _DOUBTED**2, 1.0)
    return excess(error, known.error)


def _evidence(
    models: dict[bool, KnownTaxa],
    reference: Reference,
    known: Shapes,
    queries: Shapes,
    *,
    within_sizes: bool = False,
    doubted: bool = False,
) -> dict[bool, Evidence]:
    found = {}
    for heeded, model in models.items():
        held = model.hold(
            queries.tangent,
            queries.log_size if heeded else None,
            excess=_excess(known, queries, model, doubted),
            within_sizes=within_sizes and heeded,
        )
        found[heeded] = Evidence(
            model.taxa,
            model.counts.astype(int),
            held.procrustes,
            held.comparable,
            held.mahalanobis,
            held.landmarks,
            held.relative,
            reference.critical(),
            reference.p_values(held.relative),
            held.posterior,
            held.beyond_sizes,
        )
    return found


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
    models, own, trouble = fitted(known, rules, shared_axes=shared_axes)
    if False not in models:
        return Judgement(models, {}, None, own, [], [], trouble)
    plain = models[False]
    reference = Reference.of([m.left_out for m in models.values()], plain.columns, rules.alpha)
    if not len(queries.tangent):
        return Judgement(models, {}, reference, own, [], [], trouble)

    def decided(doubted: bool = False) -> tuple[dict[bool, Evidence], list[dict[bool, Decision]]]:
        def found(within_sizes: bool) -> dict[bool, Evidence]:
            return _evidence(
                models, reference, known, queries, within_sizes=within_sizes, doubted=doubted
            )

        evidence, within = found(rules.within_sizes), None
        if rules.slopes_differ and any(e.beyond_sizes.any() for e in evidence.values()):
            within = found(True)[True].p_value
        decisions = [
            {
                heeded: decide(
                    each,
                    i,
                    alpha=rules.alpha,
                    smallest_taxon=rules.smallest_taxon,
                    slopes_differ=rules.slopes_differ,
                    p_within_sizes=None if within is None else within[i],
                )
                for heeded, each in evidence.items()
            }
            for i in range(len(queries.tangent))
        ]
        return evidence, decisions

    evidence, decisions = decided()
    verdicts = [combine(pair[False], pair.get(True)) for pair in decisions]
    doubt = queries.error is None or (queries.unmeasured is not None and queries.unmeasured.any())
    if doubt and any(verdict.verdict == "outside" for verdict in verdicts):
        doubtful = [combine(pair[False], pair.get(True)) for pair in decided(doubted=True)[1]]
        verdicts = [over_error(*pair) for pair in zip(verdicts, doubtful, strict=True)]
    return Judgement(models, evidence, reference, own, decisions, verdicts, trouble)
