"""Is the sample large enough: errors against its size, floors, and what would decide."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.design import InferenceError, check_matrix, indicator
from morpho.inference.robustness.noticing import ENOUGH

__all__ = [
    "ADDED", "adequacy_of_taxa", "deviations_of_members", "rarefy", "specimens_needed",
    "specimens_to_decide",
]  # fmt: skip

Array = NDArray[np.float64]

# Specimens added to the nearest taxon in simulations.
ADDED = (0, 2, 4, 8, 12, 16, 24, 32, 48)


def deviations_of_members(model: KnownTaxa) -> Array:
    r"""Residuals of known specimens on the scale of independent deviations from their taxon.

    Each taxon's residuals are stretched by :math:`\sqrt{(n_g - 1) / \sum_i (1 - h_{ii})}`, so
    that the degrees of freedom that growth lines take do not make the taxon look less variable.

    Parameters
    ----------
    model : KnownTaxa

    Returns
    -------
    ndarray of shape (n_specimens, n_variables)
    """
    room = model.columns.T @ (1 - model.leverages)
    free = np.maximum(model.counts - 1, 0)
    stretch = np.where(room > 1e-9, np.sqrt(free / np.maximum(room, 1e-9)), 1.0)
    return model.residuals * (model.columns @ stretch)[:, None]


def rarefy(
    residuals: ArrayLike, labels: ArrayLike, *, repeats: int = 200, rng: np.random.Generator
) -> pd.DataFrame:
    r"""Error of the mean shape and of the variance of a taxon against its number of specimens.

    Subsamples of :math:`m` of the :math:`n` specimens are drawn without replacement. The
    error of the mean is the root mean square distance of their means from that of all, divided
    by :math:`\sqrt{1 - m / n}`, the correction for drawing from a finite sample (Cochran
    1977, Sampling Techniques, 3rd ed.), so that it estimates
    the error of :math:`m` specimens of the whole taxon. The error of the variance is that of
    the summed variance, as a share of the variance of all, corrected in the same way, which
    is an approximation.

    Parameters
    ----------
    residuals : array-like of shape (n_specimens, n_variables)
        Shapes, or deviations from a growth line.
    labels : array-like of shape (n_specimens,)
        Taxa; those with fewer than four specimens are left out.
    repeats : int
        Subsamples of each number.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        `taxon`, `specimens` (m, from 2 to n - 1), `mean_error` in Procrustes distance,
        `mean_error_expected` (:math:`\sqrt{\operatorname{tr} S / m}`) and `variance_error`.
        After the last subsample, expected errors alone go on to twice the sample.
    """
    Y = check_matrix(residuals)
    taxa, columns = indicator(labels, len(Y))
    rows = []
    for g, taxon in enumerate(taxa):
        members = Y[columns[:, g] > 0]
        n = len(members)
        if n < 4:
            continue
        members = members - members.mean(axis=0)
        inner = members @ members.T
        total = float(np.trace(inner)) / (n - 1)
        for m in range(2, 2 * n + 1):
            row = {
                "taxon": str(taxon),
                "specimens": m,
                "mean_error": np.nan,
                "mean_error_expected": math.sqrt(total / m),
                "variance_error": np.nan,
            }
            if m < n:
                order = rng.permuted(np.tile(np.arange(n), (repeats, 1)), axis=1)[:, :m]
                chosen = np.zeros((repeats, n))
                np.put_along_axis(chosen, order, 1.0, axis=1)
                squares = ((chosen @ inner) * chosen).sum(axis=1) / m**2
                variance = (chosen @ np.diag(inner) - m * squares) / (m - 1)
                room = 1 - m / n
                row["mean_error"] = math.sqrt(squares.mean() / room)
                if total > 0:
                    off = ((variance / total - 1) ** 2).mean()
                    row["variance_error"] = math.sqrt(off / room)
            rows.append(row)
    columns_ = ["taxon", "specimens", "mean_error", "mean_error_expected", "variance_error"]
    return pd.DataFrame(rows, columns=columns_)


def adequacy_of_taxa(known: Shapes, residuals: Array, alpha: float) -> pd.DataFrame:
    """What each taxon's number of specimens allows.

    Parameters
    ----------
    known : Shapes
    residuals : ndarray of shape (n_specimens, n_variables)
        Deviations of the known specimens from their taxa.
    alpha : float
        Level of the tests.

    Returns
    -------
    DataFrame
        `taxon`, `specimens`, `rank_floor` (the smallest rank p-value within the taxon),
        `rank_can_decide` (whether it reaches `alpha`), `specimens_for_rank` (number at which
        it would), `mean_error` (expected distance of the sample's mean from that of the
        taxon) and `nearest_distance` (to the nearest other taxon's mean).
    """
    taxa, columns = indicator(known.taxon, len(known.tangent))
    counts = columns.sum(axis=0)
    means = (columns.T @ known.tangent) / counts[:, None]
    apart = np.linalg.norm(means[:, None] - means[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    squares = columns.T @ (residuals**2).sum(axis=1)
    variance = np.where(counts > 1, squares / np.maximum(counts - 1, 1), np.nan)
    floor = np.where(counts > 1, 1 / (counts + 1), 1.0)
    nearest = apart.min(axis=1)
    return pd.DataFrame(
        {
            "taxon": taxa.astype(str),
            "specimens": counts.astype(int),
            "rank_floor": floor,
            "rank_can_decide": floor <= alpha,
            "specimens_for_rank": math.ceil(1 / alpha - 1e-9) - 1,
            "mean_error": np.sqrt(variance / counts),
            "nearest_distance": np.where(np.isfinite(nearest), nearest, np.nan),
        }
    )


def _grown(
    model: KnownTaxa, g: int, count: int, known: Shapes, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Invented members of a taxon by the fitted model: shapes and sizes."""
    own = known.log_size[known.taxon.astype(str) == str(model.taxa[g])]
    size = rng.choice(own, count)
    place = model.predict(size if model.size is not None else None, count)[:, g]
    covariance = model.covariance
    along, beyond = covariance.split(rng.standard_normal((count, len(covariance.axes))))
    moved = (along * np.sqrt(covariance.spectrum())) @ covariance.axes.T
    return place + moved + beyond * math.sqrt(covariance.floor), size


def specimens_to_decide(
    known: Shapes,
    queries: Shapes,
    names: Sequence[str],
    rules: Rules,
    *,
    added: Sequence[int] = ADDED,
    simulations: int = 40,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Would more specimens of the nearest taxon decide? A simulation from the fitted model.

    Specimens are invented from the model of the nearest taxon: its mean (at sizes of its own
    members, along its growth line where size can be heeded) with normal deviations of the
    shrunken covariance: were they drawn along the residuals of the known ones alone, a query, which
    varies in other directions as well, would look strange beside them. They join the known ones,
    and each query is judged again. The frame of the superimposition is held.

    Parameters
    ----------
    known, queries : Shapes
    names : sequence of str
        Of the queries.
    rules : Rules
    added : sequence of int
        Numbers of specimens added.
    simulations : int
        Repeats of each number; adding none needs one.
    rng : numpy.random.Generator
    progress : callable, optional
        Called with the number of analyses done and their total.

    Returns
    -------
    DataFrame
        `specimen`, `taxon` (the nearest), `added`, `taxon_specimens` (with those added),
        `simulations` and the shares of verdicts `outside`, `inside`, `undecided`. The truth
        that it takes for granted is that the taxon is as it was found to be.
    """
    columns = [
        "specimen", "taxon", "added", "taxon_specimens", "simulations", "outside", "inside",
        "undecided",
    ]  # fmt: skip
    rows: list[dict] = []
    base = judge(known, queries, rules)
    total = len(base.verdicts) * sum(simulations if m else 1 for m in added)
    done = 0
    for i in range(len(base.verdicts)):
        heeded = max(base.evidence)
        found, model = base.evidence[heeded], base.models[heeded]
        g = int(np.argmin(found.comparable_distance[i]))
        one = queries.of([i])
        for m in added:
            told = []
            for _ in range(simulations if m else 1):
                shapes, sizes = _grown(model, g, m, known, rng)
                more = known.joined_by(shapes, sizes, [str(found.taxa[g])] * m)
                try:
                    verdicts = judge(more, one, rules).verdicts
                except InferenceError:
                    verdicts = []
                told.append(verdicts[0].verdict if verdicts else "undecided")
                done += 1
                if progress:
                    progress(done, total)
            rows.append(
                {
                    "specimen": names[i],
                    "taxon": str(found.taxa[g]),
                    "added": m,
                    "taxon_specimens": int(found.specimens[g]) + m,
                    "simulations": len(told),
                    **{
                        name: told.count(name) / len(told)
                        for name in ("outside", "inside", "undecided")
                    },
                }
            )
    return pd.DataFrame(rows, columns=columns)


def specimens_needed(needed: pd.DataFrame) -> float:
    """Smallest number of added specimens with which most simulations are decided.

    Parameters
    ----------
    needed : DataFrame
        Rows of `specimens_to_decide` on one query.

    Returns
    -------
    float
        NaN where no number tried was enough.
    """
    decided = needed[needed["outside"] + needed["inside"] >= ENOUGH - 1e-9]
    return float(decided["added"].min()) if len(decided) else float("nan")
