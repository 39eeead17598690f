"""Ten thousand permutations of a model of shape against loops that fit it each time."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from measuring import Array, Row, median_ratio, random_bones, seconds_in_turn
from numpy.typing import NDArray

from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.permutation import PermutationResult, permutation_test
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.tangent import TangentSpace

__all__ = ["fits_by_loop", "projections_by_loop", "run", "sample"]

Statistic = Callable[[NDArray], Array]


def sample(n: int, k: int, taxa: int = 4) -> tuple[Array, Array, NDArray]:
    """Tangent coordinates, log sizes and taxa of random bones."""
    X = random_bones(n, k, seed=1)
    superimposition = GeneralizedProcrustes()
    aligned = superimposition.fit_transform(X)
    Y = TangentSpace(pole=superimposition.mean_).fit(aligned).transform(aligned)
    labels = np.array([f"taxon {i % taxa}" for i in range(n)])
    return Y, np.log(centroid_size(X)), labels


def _nested(size: Array, labels: NDArray) -> list[Array]:
    """Designs of the models: intercept, with size, with size and taxon."""
    ones = np.ones((len(size), 1))
    dummies = (labels[:, None] == np.unique(labels)[1:]).astype(float)
    return [
        ones,
        np.hstack([ones, size[:, None]]),
        np.hstack([ones, size[:, None], dummies]),
    ]


def _f(before: float, after: float, df: int, left: int) -> float:
    return ((before - after) / df) / (after / left)


def fits_by_loop(Y: Array, size: Array, labels: NDArray) -> Statistic:
    """F of size and taxon by fitting the permuted data anew, one model after another."""
    designs = _nested(size, labels)
    pairs = list(pairwise(designs))

    def residual(X: Array, data: Array) -> Array:
        return data - X @ np.linalg.lstsq(X, data, rcond=None)[0]

    def squares(X: Array, data: Array) -> float:
        return float((residual(X, data) ** 2).sum())

    rests = [residual(small, Y) for small, _ in pairs]

    def f_ratios(orders: NDArray) -> Array:
        rows = []
        for order in orders:
            row = []
            for (small, large), rest in zip(pairs, rests, strict=True):
                moved = (Y - rest) + rest[order]
                before, after = squares(small, moved), squares(large, moved)
                df, left = large.shape[1] - small.shape[1], len(Y) - large.shape[1]
                row.append(_f(before, after, df, left))
            rows.append(row)
        return np.array(rows)

    return f_ratios


def projections_by_loop(Y: Array, size: Array, labels: NDArray) -> Statistic:
    """The same with bases made once, so that a permutation costs matrix products only."""
    Q = np.linalg.qr(_nested(size, labels)[2])[0]
    ends = (1, 2, Q.shape[1])
    rests = [Y - Q[:, :end] @ (Q[:, :end].T @ Y) for end in ends[:2]]

    def f_ratios(orders: NDArray) -> Array:
        rows = []
        for order in orders:
            row = []
            for rest, (start, end) in zip(rests, pairwise(ends), strict=True):
                found = ((Q.T @ rest[order]) ** 2).sum(axis=1)
                total = float((rest**2).sum())
                before, after = total - found[:start].sum(), total - found[:end].sum()
                row.append(_f(before, after, end - start, len(Y) - end))
            rows.append(row)
        return np.array(rows)

    return f_ratios


def _require_same(Y: Array, size: Array, labels: NDArray, peers: dict[str, Statistic]) -> None:
    """The same orders must give the same F, effect size (of every null F) and p-value."""
    variables = {"size": size, "taxon": labels}
    ours = term_tests(Y, ["size", "taxon"], variables, permutations=30, random_state=3)[:2]
    for name, statistic in peers.items():
        theirs: PermutationResult = permutation_test(
            statistic, len(Y), permutations=30, random_state=3
        )
        pairs = {
            "f_ratio": theirs.observed,
            "effect_size": theirs.effect_size(),
            "p_value": theirs.p_value,
        }
        for column, values in pairs.items():
            apart = np.abs(ours[column].to_numpy(dtype=float) - values).max()
            if not apart < 1e-9:
                raise AssertionError(f"{column} differs by {apart} from {name}.")


def run(
    n: int = 200, k: int = 100, permutations: int = 10_000, sampled: int = 100, repeats: int = 5
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    n, k : int
        Specimens and landmarks.
    permutations : int
        Orders that ours goes through.
    sampled : int
        Orders that a loop goes through; its time is scaled to `permutations`.
    repeats : int

    Returns
    -------
    list of Row
    """
    Y, size, labels = sample(n, k)
    variables = {"size": size, "taxon": labels}
    fits, projections = fits_by_loop(Y, size, labels), projections_by_loop(Y, size, labels)
    _require_same(Y, size, labels, {"the loop of fits": fits, "projections": projections})

    def loop(statistic: Statistic) -> PermutationResult:
        return permutation_test(statistic, n, permutations=sampled, random_state=0)

    seconds = seconds_in_turn(
        {
            "ours": lambda: term_tests(
                Y, ["size", "taxon"], variables, permutations=permutations, random_state=0
            ),
            "fits": lambda: loop(fits),
            "projections": lambda: loop(projections),
        },
        repeats,
    )
    scale = permutations / sampled
    rows = []
    for name, title, goal in (
        ("fits", "vs least-squares loop", 25.0),
        ("projections", "vs loop with ready bases", None),
    ):
        scaled = [scale * s for s in seconds[name]]
        ratio = median_ratio(scaled, seconds["ours"])
        rows.append(
            Row(
                f"{permutations:,} permutations of size + taxon, {n} x {k}, {title}",
                f"{statistics.median(seconds['ours']):.2f} s",
                f"{statistics.median(scaled):.1f} s (scaled from {sampled})",
                ratio,
                "times",
                "" if goal is None else f">= {goal:.0f}",
                goal is None or ratio >= goal,
            )
        )
    return rows
