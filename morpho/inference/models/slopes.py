"""Growth lines of taxa: one slope that they share, or slopes of their own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, indicator
from morpho.inference.models.linear_model import term_tests

__all__ = ["FEWEST", "equal_slopes", "own_slope_taxa", "slope_basis"]

Array = NDArray[np.float64]

# Fewest specimens that a growth line of a taxon's own is drawn through: with fewer, the
# error of the line outweighs what it gains (common practice, no source).
FEWEST = 8
# Sizes that vary by less than this share do not vary.
_LEVEL = 1e-12


def _varies(x: Array, size: Array) -> bool:
    return float(x @ x) > _LEVEL * max(1.0, float(size @ size))


def equal_slopes(
    Y: ArrayLike,
    size: ArrayLike,
    taxon: ArrayLike,
    *,
    permutations: int,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    """Test whether taxa share one growth line.

    Residuals of the model with one slope are permuted within taxa: permuted among all, the
    test would also reject where small taxa merely spread more widely than large ones.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates.
    size : array-like of shape (n_specimens,)
        Log centroid sizes.
    taxon : array-like of shape (n_specimens,)
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        As of `linear_model.term_tests`; 'size by taxon' is tested, the terms before it are not.

    Raises
    ------
    InferenceError
        If the model cannot be fitted to these specimens, or shapes do not vary.
    """
    return term_tests(
        Y,
        ["size", "taxon", ["size", "taxon"]],
        {"size": size, "taxon": taxon},
        tested=[2],
        within=taxon,
        permutations=permutations,
        random_state=random_state,
    )


def own_slope_taxa(
    labels: ArrayLike, size: ArrayLike, p_value: float | None, *, alpha: float, fewest: int = FEWEST
) -> tuple[str, ...]:
    """Taxa that are given a growth line of their own.

    Where the test of equal slopes rejects, each taxon with specimens enough has its own
    slope and the others share the pooled one; one that is left alone has its own as well,
    however few its specimens. Where it does not reject, or no test could be made, all share one.

    Parameters
    ----------
    labels : array-like of shape (n_specimens,)
        Taxa.
    size : array-like of shape (n_specimens,)
        Log centroid sizes.
    p_value : float or None
        Of the test that taxa share one slope.
    alpha : float
        Level of the test.
    fewest : int
        Fewest specimens of a taxon with a slope of its own.

    Returns
    -------
    tuple of str
        Sorted; never such that sizes would not vary within the taxa left to share one.
    """
    if p_value is None or not p_value <= alpha:
        return ()
    taxa, columns = indicator(labels, len(np.asarray(labels)))
    size = check_size(size, len(columns))
    counts = columns.sum(axis=0)
    x = size - columns @ (columns.T @ size / counts)
    own = [g for g in range(len(taxa)) if counts[g] >= fewest and _varies(x * columns[:, g], size)]
    rest = np.setdiff1d(np.arange(len(taxa)), own)
    if rest.size and not _varies(x * columns[:, rest].sum(axis=1), size):
        return ()
    return tuple(sorted(str(taxa[g]) for g in (own if rest.size > 1 else range(len(taxa)))))


def slope_basis(
    size: Array, taxa: NDArray, columns: Array, own: Sequence[str] = ()
) -> tuple[Array, NDArray[np.intp], Array]:
    """Orthonormal columns of size within taxa: one for each slope.

    Parameters
    ----------
    size : ndarray of shape (n_specimens,)
        Log centroid sizes.
    taxa : ndarray of shape (n_taxa,)
    columns : ndarray of shape (n_specimens, n_taxa)
        Which specimen belongs to which taxon, as 0 and 1.
    own : sequence of str
        Taxa with a slope of their own; the others share one.

    Returns
    -------
    basis : ndarray of shape (n_specimens, n_slopes)
        Orthogonal to the taxa's columns as well.
    slope_of : ndarray of shape (n_taxa,)
        The slope that each taxon has.
    lengths : ndarray of shape (n_slopes,)
        Square root of the sum of squared deviations of size behind each slope.

    Raises
    ------
    InferenceError
        If sizes do not vary within the taxa of a slope.
    """
    x = size - columns @ (columns.T @ size / columns.sum(axis=0))
    alone = [g for g in range(len(taxa)) if str(taxa[g]) in set(own)]
    shared = np.setdiff1d(np.arange(len(taxa)), alone)
    groups = [np.array([g]) for g in alone] + ([shared] if shared.size else [])
    slope_of = np.zeros(len(taxa), dtype=np.intp)
    parts = []
    for s, group in enumerate(groups):
        slope_of[group] = s
        part = x * columns[:, group].sum(axis=1)
        if not _varies(part, size):
            raise InferenceError(
                "Sizes do not vary within any group: no slope can be found.", "one_size"
            )
        parts.append(part)
    lengths = np.array([np.linalg.norm(part) for part in parts])
    return np.stack(parts, axis=1) / lengths, slope_of, lengths
