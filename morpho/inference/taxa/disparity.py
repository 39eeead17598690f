"""Disparity: how widely the shapes of each taxon spread, and whether one spreads as the others."""

from __future__ import annotations

from collections.abc import Mapping

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
from morpho.inference.models.permutation import permutation_test
from morpho.inference.taxa.groups import holm

__all__ = ["disparity"]

Array = NDArray[np.float64]

# A specimen with less than this left of its own variance has none.
_ALONE = 1e-9
# A squared residual below this, as a share of all squares, is none.
_ROUNDING = 1e-28


def _ratios(distances: Array, inside: Array) -> Array:
    """F of each group against all others, for rows of distances."""
    n = distances.shape[1]
    count = inside.sum(axis=0)
    total = distances.sum(axis=1, keepdims=True)
    mine = distances @ inside
    squares = (distances**2).sum(axis=1, keepdims=True)
    mean, rest = mine / count, (total - mine) / (n - count)
    between = count * (n - count) / n * (mean - rest) ** 2
    within = squares - count * mean**2 - (n - count) * rest**2
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(within > 0, between / (within / (n - 2)), np.nan)


def disparity(
    Y: ArrayLike,
    labels: ArrayLike,
    *,
    covariates: Mapping[str, ArrayLike] | None = None,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    r"""Procrustes variance of each taxon, tested against that of all others together.

    With :math:`r_i` the residual of a specimen from the mean of its taxon (after the
    covariates, with one slope for all) and :math:`h_i` its leverage, the Procrustes variance is

    .. math:: \frac{1}{n_g} \sum_{i \in g} \frac{\lVert r_i \rVert^2}{1 - h_i},

    which without covariates is the sum of squared distances from the mean by
    :math:`n_g - 1` (Foote 1993). For the test the distances
    :math:`\lVert r_i \rVert / \sqrt{1 - h_i}` of one taxon and of all others are held against
    each other by the F ratio of two groups, and permuted (Anderson 2006); the leverage keeps
    small taxa, whose mean lies nearer to them, from seeming to spread less.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates.
    labels : array-like of shape (n_specimens,)
        Taxa, each of two specimens or more.
    covariates : mapping of str to array-like of shape (n_specimens,), optional
        What is held equal, as log centroid size.
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        A row for each taxon, in sorted order: `taxon`, `specimens`, `procrustes_variance`
        (squared Procrustes distance), `times_that_of_others`, `p_value`, `p_value_holm` (over
        the taxa) and `permutations`. NaN where nothing varies, or there are no others.

    Raises
    ------
    InferenceError
        If a taxon has one specimen only, or one that the covariates leave no variation.

    References
    ----------
    Foote, M. (1993). Contributions of individual taxa to overall morphological disparity.
    Paleobiology 19(4), 403-419. Anderson, M. J. (2006). Distance-based tests for homogeneity of
    multivariate dispersions. Biometrics 62(1), 245-253.
    """
    Y = check_matrix(Y, least=3)
    taxa, inside = indicator(labels, len(Y))
    if (inside.sum(axis=0) < 2).any():
        alone = ", ".join(str(taxa[i]) for i in np.flatnonzero(inside.sum(axis=0) < 2))
        raise InferenceError(f"The spread of one specimen is not known: {alone}.")
    Q = inside / np.sqrt(inside.sum(axis=0))
    for name in covariates or {}:
        Q = np.hstack([Q, term_basis(term_columns(name, covariates or {}), Q)])
    left = 1 - (Q**2).sum(axis=1)
    if (left < _ALONE).any():
        raise InferenceError("The covariates leave no variation within a taxon.")
    squares = ((Y - Q @ (Q.T @ Y)) ** 2).sum(axis=1) / left
    squares[squares < _ROUNDING * (Y**2).sum()] = 0.0
    variance = squares @ inside / inside.sum(axis=0)
    others = squares.sum() - squares @ inside
    with np.errstate(divide="ignore", invalid="ignore"):
        times = variance / (others / (len(Y) - inside.sum(axis=0)))
    table = pd.DataFrame(
        {
            "taxon": taxa,
            "specimens": inside.sum(axis=0).astype(int),
            "procrustes_variance": variance,
            "times_that_of_others": np.where(np.isfinite(times), times, np.nan),
        }
    )
    if len(taxa) < 2:
        return table.assign(p_value=np.nan, p_value_holm=np.nan, permutations=0)
    distances = np.sqrt(squares)
    found = permutation_test(
        lambda orders: _ratios(distances[orders], inside),
        len(Y),
        permutations=permutations,
        random_state=random_state,
    )
    return table.assign(
        p_value=found.p_value, p_value_holm=holm(found.p_value), permutations=found.count
    )
