"""Linear models of shape, tested by permuting residuals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.design import InferenceError, check_matrix, term_basis, term_columns
from morpho.inference.models.permutation import permutation_test
from morpho.inference.models.principal_axes import narrow

__all__ = ["Term", "sequential_bases", "term_name", "term_tests"]

Array = NDArray[np.float64]
Term = str | Sequence[str]


def _projected_squares(basis: Array, R: Array, orders: NDArray) -> Array:
    """Squared lengths of the projections of reordered rows of `R` on each basis column.

    Instead of reordering `R` for each permutation, the few columns of the basis are
    put in the opposite order and all permutations share one matrix product.
    """
    n, q = basis.shape
    moved = np.empty((len(orders), q, n))
    rows = np.arange(len(orders))[:, None]
    for j in range(q):
        moved[rows, j, orders] = basis[:, j]
    products = moved.reshape(-1, n) @ R
    return np.einsum("ij,ij->i", products, products).reshape(len(orders), q)


def term_name(term: Term) -> str:
    """Name of a term in tables: an interaction as its parts joined by 'by'.

    Parameters
    ----------
    term : str or sequence of str

    Returns
    -------
    str
    """
    return term if isinstance(term, str) else " by ".join(term)


def sequential_bases(
    terms: Sequence[Term], variables: Mapping[str, ArrayLike], n: int
) -> tuple[Array, list[Array]]:
    """Orthonormal bases of an intercept and of what each term adds to those before it.

    Parameters
    ----------
    terms : sequence of str or of sequences of str
    variables : mapping of str to array-like of shape (n_specimens,)
    n : int
        Number of specimens.

    Returns
    -------
    intercept : ndarray of shape (n_specimens, 1)
    bases : list of ndarray of shape (n_specimens, degrees_of_freedom)

    Raises
    ------
    InferenceError
        If there is no term, a variable is unknown, a term adds nothing to those before
        it, or no degree of freedom is left for the residual.
    """
    if not terms:
        raise InferenceError("A model needs at least one term.")
    intercept = np.full((n, 1), n**-0.5)
    before = intercept
    bases = []
    for term in terms:
        columns = term_columns(term, variables)
        if len(columns) != n:
            raise InferenceError(
                f"The term {term_name(term)} has {len(columns)} values for {n} specimens."
            )
        basis = term_basis(columns, before)
        if basis.shape[1] == 0:
            raise InferenceError(
                f"The term {term_name(term)} adds nothing: it does not vary, or the terms "
                "before it already say the same.",
                "repeats",
                term=term_name(term),
            )
        bases.append(basis)
        before = np.hstack([before, basis])
    if before.shape[1] >= n:
        raise InferenceError(
            f"The model has {before.shape[1]} coefficients for {n} specimens: "
            "take terms out or add specimens.",
            "coefficients",
            coefficients=before.shape[1],
            specimens=n,
        )
    return intercept, bases


def term_tests(
    Y: ArrayLike,
    terms: Sequence[Term],
    variables: Mapping[str, ArrayLike],
    *,
    tested: Sequence[int] | None = None,
    within: ArrayLike | None = None,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    r"""Test each term of a linear model of shape after the terms before it.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates, or any variables measured in one unit.
    terms : sequence of str or of sequences of str
        In the order in which they are tested; a sequence of names is an interaction.
    variables : mapping of str to array-like of shape (n_specimens,)
        Numbers are covariates, labels are groups.
    tested : sequence of int, optional
        Places of the terms that are tested, by default all; the others get sums of squares only.
    within : array-like of shape (n_specimens,), optional
        Groups: residuals change places within them only, so that groups may spread unequally.
    permutations : int
        Orders of the residuals; 0 gives no p-values.
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        A row for each term, then `residual` and `total`, with the columns `term`,
        `degrees_of_freedom`, `sum_of_squares`, `mean_square`, `share_of_variance`,
        `f_ratio`, `effect_size`, `p_value`, `permutations`.

    Raises
    ------
    InferenceError
        If the model cannot be fitted to these specimens, or `Y` does not vary.

    Notes
    -----
    Sums of squares are sequential and summed over variables, so that they are sums of
    squared Procrustes distances (Goodall 1991). For term :math:`j` with orthonormal
    basis :math:`U_j` of what it adds, :math:`SS_j = \lVert U_j^\top Y \rVert^2` and
    :math:`F_j = (SS_j / q_j) / (RSS_j / (n - r_j))` with the residual of the model up to and
    with term :math:`j`, of rank :math:`r_j`: two nested models are compared. The residual of
    the whole model would not do: what later terms explain is part of the residuals that are
    permuted, and with it left out of the observed F alone the test rejects too often.
    Under permutation the residuals of the model with the terms before :math:`j` are
    reordered and added to its fitted values (Freedman & Lane 1983, Journal of Business
    & Economic Statistics 1(4), 292-298; Anderson 2001, Austral Ecology 26(1), 32-46;
    Collyer, Sekora & Adams 2015, Heredity 115, 357-365). The fitted values drop out of
    both sums of squares, so only residuals are projected. All terms see the same
    orders. The effect size is that of :math:`F`, see `PermutationResult.effect_size`.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> size = rng.normal(size=30)
    >>> Y = np.outer(size, [1.0, 0.5]) + 0.3 * rng.normal(size=(30, 2))
    >>> table = term_tests(Y, ["size"], {"size": size}, permutations=999, random_state=1)
    >>> float(table.p_value[0])
    0.001
    """
    Y = check_matrix(Y, least=3)
    n = len(Y)
    intercept, bases = sequential_bases(terms, variables, n)
    rounding = Y.size * np.finfo(float).eps ** 2 * float((Y**2).sum())
    Y = narrow(Y - Y.mean(axis=0))
    total = float((Y**2).sum())
    if not total > rounding:
        raise InferenceError("The shapes do not vary: all specimens are the same.", "same_shapes")
    df = np.array([basis.shape[1] for basis in bases])
    residual_df = n - 1 - int(df.sum())

    residuals, before = {}, intercept
    for j, basis in enumerate(bases):
        if tested is None or j in tested:
            residuals[j] = Y - before @ (before.T @ Y)
        before = np.hstack([before, basis])
    everything = np.hstack(bases)
    ends = np.cumsum(df)

    def f_ratios(orders: NDArray) -> Array:
        result = np.full((len(orders), len(bases)), np.nan)
        for j, R in residuals.items():
            squares = _projected_squares(everything[:, : ends[j]], R, orders)
            explained = squares[:, -df[j] :].sum(axis=1)
            rest = np.maximum((R**2).sum() - squares.sum(axis=1), 1e-15 * total)
            result[:, j] = (explained / df[j]) / (rest / (n - 1 - ends[j]))
        return result

    result = permutation_test(
        f_ratios, n, permutations=permutations, within=within, random_state=random_state
    )
    squares = np.array([((basis.T @ Y) ** 2).sum() for basis in bases])
    residual = max(total - squares.sum(), 0.0)
    blank = [np.nan, np.nan]
    return pd.DataFrame(
        {
            "term": [*map(term_name, terms), "residual", "total"],
            "degrees_of_freedom": [*df.tolist(), residual_df, n - 1],
            "sum_of_squares": [*squares, residual, total],
            "mean_square": [*(squares / df), residual / residual_df, np.nan],
            "share_of_variance": [*(squares / total), residual / total, 1.0],
            "f_ratio": [*result.observed, *blank],
            "effect_size": [*result.effect_size(), *blank],
            "p_value": [*result.p_value, *blank],
            "permutations": [result.count * (j in residuals) for j in range(len(terms))] + [0, 0],
        }
    )
