"""Digitising error: how far two digitisations of one bone differ, and whether it matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.data.repeatability import Repeatability, repeatability, variance_parts
from morpho.inference.models.design import InferenceError, indicator, term_basis
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.permutation import permutation_test
from morpho.shape.checks import check_configurations
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size

__all__ = ["DigitisingError", "digitising_error"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DigitisingError:
    """What replicates tell of the error of digitising.

    Attributes
    ----------
    anova : DataFrame
        Procrustes ANOVA with rows `specimen`, `observer`, `observer by specimen` (those that
        the data allow), `error` and `total` and columns `source`, `sum_of_squares`,
        `degrees_of_freedom`, `mean_square`, `f_ratio`, `p_value`, `share_of_variance`.
    repeatability : Repeatability
        Over all specimens.
    repeatability_within_taxa : Repeatability or None
        With differences between taxa left out; None where no taxa were given, or each has
        but one specimen.
    landmarks : DataFrame
        A row for each landmark: `landmark`; `error_mm`, the root mean square distance of a
        digitisation from the true place (estimated from the specimens' replicates);
        `share_of_within_taxon_variance`, the part of the variance of single digitisations
        within taxa that is error; `observer_difference_mm`, the distance between the
        observers' means over specimens (the largest of them where there are more than two;
        NaN with one).
    notes : tuple of str
        What could not be done, and why.
    """

    anova: pd.DataFrame
    repeatability: Repeatability
    repeatability_within_taxa: Repeatability | None
    landmarks: pd.DataFrame
    notes: tuple[str, ...]


def _within_groups(orders: NDArray, codes: NDArray[np.intp]) -> NDArray:
    """Orders that move rows only within their group, made from orders of all rows."""
    rows = np.argsort(codes, kind="stable")
    # by group first, then by the random rank: the members of a group in random order
    moved = np.lexsort((orders, np.broadcast_to(codes, orders.shape)), axis=-1)
    result = np.empty_like(moved)
    result[:, rows] = moved
    return result


def _observer_p_value(
    Y: Array,
    codes: NDArray[np.intp],
    observers: Array,
    permutations: int,
    random_state: int | np.random.Generator | None,
) -> float:
    """Observers exchanged within specimens; what they explain after specimens is compared."""
    own = np.eye(codes.max() + 1)[codes]
    specimens = own / np.sqrt(own.sum(axis=0))
    basis = term_basis(observers[:, 1:], specimens)
    residuals = Y - specimens @ (specimens.T @ Y)

    def explained(orders: NDArray) -> Array:
        moved = residuals[_within_groups(orders, codes)]
        return (np.einsum("nq,onp->oqp", basis, moved) ** 2).sum(axis=(1, 2))[:, None]

    result = permutation_test(
        explained, len(Y), permutations=permutations, random_state=random_state
    )
    return float(result.p_value[0])


def _terms(codes: NDArray[np.intp], observers: NDArray) -> tuple[list, list[str]]:
    """Terms that the design allows, and key words on those that it does not."""
    names, columns = indicator(observers, len(codes))
    if len(names) < 2:
        return ["specimen"], ["one_observer"]
    own = np.eye(codes.max() + 1)[codes]
    cells = own.T @ columns
    added = term_basis(columns[:, 1:], own / np.sqrt(own.sum(axis=0))).shape[1]
    if added < len(names) - 1:
        return ["specimen"], ["observers_apart"]
    terms: list = ["specimen", "observer"]
    crossed = int((cells > 0).sum()) - len(own[0]) - added
    if crossed < 1:
        return terms, ["one_specimen_joins"]
    if len(codes) == int((cells > 0).sum()):
        return terms, ["observers_once"]
    return [*terms, ("observer", "specimen")], []


def _observer_shift(aligned: Array, codes: NDArray[np.intp], columns: Array, sizes: Array) -> Array:
    """Largest distance between observers' means, over specimens digitised by both."""
    k = aligned.shape[1]
    own = np.eye(codes.max() + 1)[codes]
    largest = np.full(k, np.nan)
    for a in range(columns.shape[1]):
        for b in range(a + 1, columns.shape[1]):
            weights = [own.T * columns[:, who] for who in (a, b)]
            shared = (weights[0].sum(axis=1) > 0) & (weights[1].sum(axis=1) > 0)
            if not shared.any():
                continue
            means = [
                np.einsum("sn,nkd->skd", w[shared] / w[shared].sum(axis=1, keepdims=True), aligned)
                for w in weights
            ]
            scale = (own.T @ sizes / own.sum(axis=0))[shared]
            shift = ((means[1] - means[0]) * scale[:, None, None]).mean(axis=0)
            largest = np.fmax(largest, np.linalg.norm(shift, axis=1))
    return largest


def _landmark_table(
    aligned: Array,
    specimens: ArrayLike,
    taxa: ArrayLike | None,
    sizes: Array,
    names: Sequence[str],
) -> pd.DataFrame:
    rows = []
    codes = np.unique(np.asarray(specimens), return_inverse=True)[1]
    own = np.eye(codes.max() + 1)[codes]
    scale = own @ (own.T @ sizes / own.sum(axis=0))
    for j, name in enumerate(names):
        between, within, n0, _, _ = variance_parts(aligned[:, j], specimens, taxa)
        error, above = float(np.trace(within)), float(np.trace(between))
        true = max((above - error) / n0, 0.0)
        in_mm = variance_parts(aligned[:, j] * scale[:, None], specimens)[1]
        rows.append((name, np.sqrt(np.trace(in_mm)), error / (error + true) if error > 0 else 0.0))
    return pd.DataFrame(rows, columns=["landmark", "error_mm", "share_of_within_taxon_variance"])


def digitising_error(
    X: ArrayLike,
    specimens: ArrayLike,
    observers: ArrayLike | None = None,
    taxa: ArrayLike | None = None,
    *,
    names: Sequence[str] | None = None,
    confidence: float = 0.95,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> DigitisingError:
    r"""Tell digitising error from true differences between specimens.

    Parameters
    ----------
    X : array-like of shape (n_digitisations, n_landmarks, n_dimensions)
        Single digitisations, in mm, in any pose, none with missing landmarks; bones of one
        side (mirror the others first).
    specimens : array-like of shape (n_digitisations,)
        Specimens digitised once take part in the differences between specimens.
    observers : array-like of shape (n_digitisations,), optional
    taxa : array-like of shape (n_digitisations,), optional
        All of one taxon by default.
    names : sequence of str, optional
        Names of the landmarks; their numbers from 0 by default.
    confidence : float
        Of the intervals of the repeatabilities.
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DigitisingError

    Raises
    ------
    ShapeError
        If `X` holds no proper configurations.
    InferenceError
        If labels do not fit, no specimen was digitised twice, there is one specimen, or the
        digitisations of every specimen are the very same.

    Notes
    -----
    All digitisations are superimposed together. Sums of squares are sequential and summed over
    coordinates, and degrees of freedom are those of one variable times the dimension of shape
    space (in space :math:`3k - 7`; Goodall 1991). Specimens, and specimens by observers, are
    tested against error (`morpho.inference.models.linear_model.term_tests`); observers against
    specimens by observers where that can be told from error, else against error. The p-value of
    observers comes from exchanging them among the digitisations of each specimen.

    References
    ----------
    Bailey, R. C. & Byrnes, J. (1990). Systematic Zoology 39, 124-130.
    Fruciano, C. (2016). Development Genes and Evolution 226, 139-158.
    """
    X = check_configurations(X, least=3)
    n, k, d = X.shape
    for what, given in (("specimens", specimens), ("observers", observers), ("taxa", taxa)):
        if given is not None and np.shape(given) != (n,):
            raise InferenceError(
                f"There are {what} of shape {np.shape(given)} for {n} digitisations."
            )
    if names is not None and len(names) != k:
        raise InferenceError(f"There are {len(names)} names for {k} landmarks.")
    codes = np.unique(np.asarray(specimens), return_inverse=True)[1]
    sizes = centroid_size(X)
    aligned = GeneralizedProcrustes().fit_transform(X)
    Y = aligned.reshape(n, -1)
    whole = repeatability(Y, specimens, confidence=confidence)
    if not float(np.trace(variance_parts(Y, specimens)[1])) > 1e-20:
        raise InferenceError(
            "The replicates of each specimen are the very same: they are copies of one "
            "digitisation, not digitised again.",
            "copies",
        )
    who = np.zeros(n) if observers is None else np.asarray(observers)
    terms, notes = _terms(codes, who)
    rng = np.random.default_rng(random_state)
    variables: dict[str, ArrayLike] = {"specimen": codes.astype(str), "observer": who.astype(str)}
    table = term_tests(Y, terms, variables, permutations=permutations, random_state=rng)
    within = None
    if taxa is not None and len(np.unique(np.asarray(taxa))) < len(np.unique(codes)):
        within = repeatability(Y, specimens, taxa, confidence=confidence)
    elif taxa is not None:
        notes.append("no_variation_within")
        taxa = None
    landmarks = _landmark_table(aligned, specimens, taxa, sizes, names or list(map(str, range(k))))
    shift = np.full(k, np.nan)
    p_value = np.nan
    if "observer" in terms:
        columns = indicator(who, n)[1]
        shift = _observer_shift(aligned, codes, columns, sizes)
        p_value = _observer_p_value(Y, codes, columns, permutations, rng)
    return DigitisingError(
        anova=_anova_table(table, k * d - d - d * (d - 1) // 2 - 1, p_value),
        repeatability=whole,
        repeatability_within_taxa=within,
        landmarks=landmarks.assign(observer_difference_mm=shift),
        notes=tuple(notes),
    )


def _anova_table(table: pd.DataFrame, dimension: int, observer_p: float) -> pd.DataFrame:
    """The sequential table in the words and degrees of freedom of shapes."""
    table = table.rename(columns={"term": "source"}).replace({"source": {"residual": "error"}})
    table["degrees_of_freedom"] *= dimension
    table["mean_square"] /= dimension
    sources = ~table["source"].isin(["error", "total"])
    error = float(table.loc[table["source"] == "error", "mean_square"].iloc[0])
    table.loc[sources, "f_ratio"] = table.loc[sources, "mean_square"] / error if error else np.nan
    observer = table["source"] == "observer"
    crossed = table["source"] == "observer by specimen"
    if crossed.any():
        above = float(table.loc[crossed, "mean_square"].iloc[0])
        table.loc[observer, "f_ratio"] = table.loc[observer, "mean_square"] / above
    table.loc[observer, "p_value"] = observer_p
    columns = ["source", "sum_of_squares", "degrees_of_freedom", "mean_square", "f_ratio"]
    return table[[*columns, "p_value", "share_of_variance"]]
