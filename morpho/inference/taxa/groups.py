"""Differences between groups: multivariate criteria and distances between means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.design import (
    InferenceError,
    check_matrix,
    indicator,
    term_basis,
    term_columns,
)
from morpho.inference.models.linear_model import Term, sequential_bases, term_name
from morpho.inference.models.permutation import permutation_test
from morpho.inference.models.principal_axes import narrow
from morpho.shape.superimposition import procrustes_distance
from morpho.shape.tangent import TangentSpace

__all__ = ["compare_means", "group_tests", "holm", "multivariate_criteria"]

Array = NDArray[np.float64]

# A group with less than this left of its own variance has none.
_ALONE = 1e-9


def multivariate_criteria(H: Array, E: Array) -> Array:
    r"""Wilks, Pillai, Hotelling-Lawley and Roy criteria.

    With :math:`\lambda_i` the eigenvalues of :math:`E^{-1} H`: Wilks
    :math:`\prod 1/(1+\lambda_i)`, Pillai :math:`\sum \lambda_i/(1+\lambda_i)`,
    Hotelling-Lawley :math:`\sum \lambda_i`, Roy :math:`\max \lambda_i` (Mardia, Kent &
    Bibby 1979, Multivariate Analysis; Roy in the form of Morrison 1976,
    Multivariate Statistical Methods, 2nd ed.).

    Parameters
    ----------
    H, E : ndarray of shape (..., n_variables, n_variables)
        Sums of squares and products of the hypothesis and the error.

    Returns
    -------
    ndarray of shape (..., 4)
        In the order named above.

    Raises
    ------
    InferenceError
        If the error matrix is singular.
    """
    try:
        L = np.linalg.cholesky(E)
    except np.linalg.LinAlgError as error:
        raise InferenceError(
            "The variation within groups is too poor for this many axes: keep fewer axes.",
            "poor_variation",
        ) from error
    half = np.linalg.solve(L, H)
    values = np.linalg.eigvalsh(np.linalg.solve(L, np.swapaxes(half, -1, -2)))
    values = np.maximum(values, 0.0)
    return np.stack(
        [
            np.prod(1 / (1 + values), axis=-1),
            (values / (1 + values)).sum(axis=-1),
            values.sum(axis=-1),
            values.max(axis=-1),
        ],
        axis=-1,
    )


def group_tests(
    scores: ArrayLike,
    terms: Sequence[Term],
    variables: Mapping[str, ArrayLike],
    *,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    """Permutation MANOVA: the last of the terms, after those before it.

    Residuals of the model without the last term are permuted, as in
    `linear_model.term_tests`. Groups are taken to spread alike: where small ones spread more
    widely than large ones, a rejection may tell of that.

    Parameters
    ----------
    scores : array-like of shape (n_specimens, n_axes)
        Scores on the axes retained.
    terms : sequence of str or of sequences of str
        The last one is tested.
    variables : mapping of str to array-like of shape (n_specimens,)
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        A row for each criterion with the columns `term`, `criterion`, `value`,
        `effect_size`, `p_value`, `permutations`. Small values of Wilks' criterion
        speak against the null hypothesis, large ones of the others.

    Raises
    ------
    InferenceError
        If the model cannot be fitted, or has more axes than degrees of freedom.
    """
    Y = check_matrix(scores, name="scores", least=3)
    n, p = Y.shape
    intercept, bases = sequential_bases(terms, variables, n)
    left = n - 1 - sum(basis.shape[1] for basis in bases)
    if p > left:
        raise InferenceError(
            f"{p} axes need at least {p} degrees of freedom within groups; there are {left}. "
            "Keep fewer axes or add specimens.",
            "freedom",
            variables=p,
            left=left,
        )
    before = np.hstack([intercept, *bases[:-1]])
    R = Y - before @ (before.T @ Y)
    T = R.T @ R
    # The reduced model's bases are kept: permuted residuals are no longer square to them.
    whole = np.hstack(bases)
    split = whole.shape[1] - bases[-1].shape[1]

    def criteria(orders: NDArray) -> Array:
        moved = R[orders]
        fitted = np.einsum("nq,bnp->bqp", whole, moved)
        H = np.einsum("bqp,bqr->bpr", fitted[:, split:], fitted[:, split:])
        rest = np.einsum("bqp,bqr->bpr", fitted, fitted)
        values = multivariate_criteria(H, T - rest)
        values[:, 0] = -np.log(values[:, 0])  # so that large values speak against the null
        return values

    result = permutation_test(criteria, n, permutations=permutations, random_state=random_state)
    value = result.observed.copy()
    value[0] = np.exp(-value[0])
    return pd.DataFrame(
        {
            "term": term_name(terms[-1]),
            "criterion": ["Wilks", "Pillai", "Hotelling-Lawley", "Roy"],
            "value": value,
            "effect_size": result.effect_size(),
            "p_value": result.p_value,
            "permutations": result.count,
        }
    )


def holm(p_values: ArrayLike) -> Array:
    r"""P-values adjusted for their number by Holm's step-down rule.

    :math:`\tilde p_{(i)} = \max_{j \le i} \min\{1, (m - j + 1)\, p_{(j)}\}` (Holm 1979,
    Scandinavian Journal of Statistics 6(2), 65-70). NaN stays NaN and does not count.

    Parameters
    ----------
    p_values : array-like of shape (n_tests,)

    Returns
    -------
    ndarray of shape (n_tests,)

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(6)
    array([0.03, 0.06, 0.06])
    """
    p = np.asarray(p_values, dtype=float)
    result = np.full(p.shape, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    result[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return result


def _pair(
    Y: Array,
    second: NDArray[np.bool_],
    covariates: Array,
    permutations: int,
    rng: np.random.Generator,
) -> tuple[Array, float, int]:
    """Difference of two groups' means after covariates, its p-value, the orders drawn.

    The statistic is the squared difference by the variance that it has where groups spread
    unequally; by the common variance where a group leaves none of its own.
    """
    n = len(Y)
    before = np.full((n, 1), n**-0.5)
    extra = term_basis(covariates, before)
    before = np.hstack([before, extra])
    # What group membership adds to the covariates, scaled so that its product with the
    # shapes is the difference between the two adjusted means.
    contrast = second.astype(float)
    contrast = contrast - before @ (before.T @ contrast)
    squares = float(contrast @ contrast)
    if squares < 1e-9 or n - before.shape[1] < 2:
        return np.full(Y.shape[1], np.nan), np.nan, 0
    rest = Y - before @ (before.T @ Y)
    difference = contrast @ rest / squares
    R = narrow(rest)
    unit = contrast / np.sqrt(squares)
    whole = np.column_stack([extra, unit])
    total = float((R**2).sum())
    groups = np.column_stack([~second, second]).astype(float)
    room = groups.T @ (1 - 1 / n - (whole**2).sum(axis=1))
    if (room < _ALONE).any():
        groups, room = np.ones((n, 1)), room.sum(keepdims=True)
    weight = groups @ ((groups.T @ unit**2) / room)

    def statistic(orders: NDArray) -> Array:
        moved = R[orders]
        fitted = np.einsum("nq,bnp->bqp", whole, moved)
        explained = (fitted[:, -1] ** 2).sum(axis=1)
        left = ((moved - np.einsum("nq,bqp->bnp", whole, fitted)) ** 2).sum(axis=2)
        return (explained / np.maximum(left @ weight, 1e-15 * total))[:, None]

    result = permutation_test(statistic, n, permutations=permutations, random_state=rng)
    return difference, float(result.p_value[0]), result.count


def _apart(Y: Array, second: NDArray[np.bool_], difference: Array, pole: Array | None) -> float:
    """Distance between two means: in tangent space, or of the shapes that they are."""
    if pole is None or np.isnan(difference).any():
        return float(np.linalg.norm(difference))
    middle, share = Y.mean(axis=0), float(second.mean())
    space = TangentSpace(pole=pole).fit(pole[None])
    shapes = space.inverse_transform(
        np.stack([middle - share * difference, middle + (1 - share) * difference])
    )
    return float(procrustes_distance(shapes[:1], shapes[1:])[0])


def compare_means(
    Y: ArrayLike,
    labels: ArrayLike,
    *,
    covariates: Mapping[str, ArrayLike] | None = None,
    pole: Array | None = None,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    r"""Distances between the mean shapes of groups, pair by pair.

    Each pair is tested among its own specimens: residuals after the covariates are
    permuted between the two groups, and the p-values adjusted by Holm's rule. The statistic is

    .. math:: \frac{\lVert d \rVert^2}{w_1 \operatorname{tr} S_1 + w_2 \operatorname{tr} S_2}

    with the difference :math:`d` of the means and the covariance of each group by itself;
    without covariates :math:`w_g = 1 / n_g`. The distance alone, or by the common variance, would
    also tell of groups that spread unequally, and most of all where the smaller one spreads more.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates.
    labels : array-like of shape (n_specimens,)
    covariates : mapping of str to array-like of shape (n_specimens,), optional
        What is held equal, as log centroid size; means are compared at its mean.
    pole : ndarray of shape (n_points, n_dimensions), optional
        Shape at which the tangent space touches. Given, `distance` is the Procrustes distance
        (the angle) between the mean shapes; else the distance of their tangent coordinates.
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        A row for each pair, groups in sorted order: `first`, `second`,
        `first_specimens`, `second_specimens`, `distance`, `p_value`, `p_value_holm`,
        `permutations`.

    Raises
    ------
    InferenceError
        If there are fewer than two groups.

    References
    ----------
    Chung, E. & Romano, J. P. (2013). The Annals of Statistics 41(2), 484-507: permutation tests
    with a statistic by its own variance hold their level in large samples whatever the groups'
    spread.
    """
    Y = check_matrix(Y, least=3)
    groups, columns = indicator(labels, len(Y))
    if len(groups) < 2:
        raise InferenceError(
            "Means are compared between groups: at least two are needed.", "one_taxon"
        )
    held = [term_columns(name, covariates) for name in covariates] if covariates else []
    # a stream for each pair, named by its taxa, so that other pairs leave it alone
    seed = int(np.random.default_rng(random_state).integers(2**63))
    rows = []
    for a, b in combinations(range(len(groups)), 2):
        chosen = (columns[:, a] + columns[:, b]) > 0
        extra = np.hstack([np.empty((len(Y), 0)), *held])[chosen]
        second = columns[chosen, b] > 0
        stream = np.random.default_rng([seed, *(crc32(str(groups[i]).encode()) for i in (a, b))])
        difference, p, count = _pair(Y[chosen], second, extra, permutations, stream)
        rows.append(
            {
                "first": groups[a],
                "second": groups[b],
                "first_specimens": int(columns[:, a].sum()),
                "second_specimens": int(columns[:, b].sum()),
                "distance": _apart(Y[chosen], second, difference, pole),
                "p_value": p,
                "permutations": count,
            }
        )
    table = pd.DataFrame(rows)
    table.insert(6, "p_value_holm", holm(table["p_value"]))
    return table
