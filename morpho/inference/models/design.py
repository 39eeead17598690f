"""Terms of a linear model as columns of numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import Refusal

__all__ = ["InferenceError", "check_matrix", "indicator", "term_basis", "term_columns"]

Array = NDArray[np.float64]

# Columns whose length falls below this share once earlier terms are taken out are
# held to be combinations of those terms.
_DEPENDENT = 1e-9


class InferenceError(Refusal):
    """Data from which the statistic asked for cannot be computed."""


def check_matrix(
    Y: ArrayLike, *, name: str = "Y", least: int = 2, n_variables: int | None = None
) -> Array:
    """Return `Y` as a finite float matrix with at least `least` rows.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
    name : str
        How the argument is called in messages.
    least : int
        Fewest rows allowed.
    n_variables : int, optional
        Number of columns wanted.

    Returns
    -------
    ndarray of shape (n_specimens, n_variables)

    Raises
    ------
    InferenceError
        If it is not such a matrix.
    """
    Y = np.asarray(Y, dtype=float)
    if Y.ndim != 2 or Y.shape[1] == 0:
        raise InferenceError(f"`{name}` must have shape (n_specimens, n_variables), got {Y.shape}.")
    if len(Y) < least:
        raise InferenceError(f"`{name}` must hold at least {least} specimens, but holds {len(Y)}.")
    if n_variables is not None and Y.shape[1] != n_variables:
        raise InferenceError(f"`{name}` must have {n_variables} variables, but has {Y.shape[1]}.")
    if not np.isfinite(Y).all():
        raise InferenceError(
            f"`{name}` holds missing or infinite values.",
            "few_specimens",
            least=least,
            found=len(Y),
        )
    return Y


def indicator(labels: ArrayLike, n: int | None = None) -> tuple[NDArray, Array]:
    """Groups in sorted order, and a column of zeros and ones for each.

    Parameters
    ----------
    labels : array-like of shape (n_specimens,)
    n : int, optional
        Number of specimens that there must be a label for.

    Returns
    -------
    groups : ndarray of shape (n_groups,)
    columns : ndarray of shape (n_specimens, n_groups)

    Raises
    ------
    InferenceError
        If there are not `n` labels.
    """
    if n is not None and np.shape(labels) != (n,):
        raise InferenceError(f"There are labels of shape {np.shape(labels)} for {n} specimens.")
    groups, codes = np.unique(np.asarray(labels), return_inverse=True)
    return groups, np.eye(len(groups))[codes]


def _main_effect(values: ArrayLike) -> Array:
    values = np.asarray(values)
    if values.dtype.kind in "fiu":
        column = values.astype(float)[:, None]
        if not np.isfinite(column).all():
            raise InferenceError(
                "A numeric term of the model holds missing or infinite values.", "gaps_in_term"
            )
        return column
    return indicator(values.astype(str))[1][:, 1:]


def term_columns(term: str | Sequence[str], variables: Mapping[str, ArrayLike]) -> Array:
    """Columns of one term: a number as it is, a label as indicators, an interaction as products.

    Parameters
    ----------
    term : str or sequence of str
        Name of a variable, or the names whose interaction is meant.
    variables : mapping of str to array-like of shape (n_specimens,)

    Returns
    -------
    ndarray of shape (n_specimens, n_columns)

    Raises
    ------
    InferenceError
        If a variable is unknown, a number is missing, or lengths differ.
    """
    names = [term] if isinstance(term, str) else list(term)
    unknown = [name for name in names if name not in variables]
    if unknown:
        raise InferenceError(f"No variable {unknown}; there are {sorted(variables)}.")
    lengths = {name: len(np.asarray(variables[name])) for name in names}
    if len(set(lengths.values())) > 1:
        raise InferenceError(f"Variables of one term differ in length: {lengths}.")
    columns = _main_effect(variables[names[0]])
    for name in names[1:]:
        other = _main_effect(variables[name])
        columns = (columns[:, :, None] * other[:, None, :]).reshape(len(columns), -1)
    return columns


def term_basis(columns: Array, before: Array) -> Array:
    """Orthonormal basis of what `columns` add to the space spanned by `before`.

    Parameters
    ----------
    columns : ndarray of shape (n_specimens, n_columns)
    before : ndarray of shape (n_specimens, n_before)
        An orthonormal basis.

    Returns
    -------
    ndarray of shape (n_specimens, degrees_of_freedom)
        Without columns if the term adds nothing.
    """
    scale = np.linalg.norm(columns, axis=0)
    scaled = columns / np.where(scale > 0, scale, 1.0)
    # twice, so that rounding leaves nothing of the earlier terms
    for _ in range(2):
        scaled = scaled - before @ (before.T @ scaled)
    U, s, _ = np.linalg.svd(scaled, full_matrices=False)
    return U[:, s > _DEPENDENT * max(1.0, np.sqrt(columns.shape[1]))]
