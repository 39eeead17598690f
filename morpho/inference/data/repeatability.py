"""Repeatability: how much of the variance lies between specimens and not between replicates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri

from morpho.inference.models.design import InferenceError, check_matrix, indicator

__all__ = ["Repeatability", "repeatability", "variance_parts"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Repeatability:
    """Intraclass correlation of replicates, with its interval.

    Attributes
    ----------
    value : float
        Share of the variance of single digitisations that lies between specimens. Below 0
        where specimens differ less than their replicates would make them.
    low, high : float
        Confidence interval.
    confidence : float
    replicates : float
        Mean number of replicates n0, allowing for unequal numbers.
    specimens, digitisations : int
    """

    value: float
    low: float
    high: float
    confidence: float
    replicates: float
    specimens: int
    digitisations: int


def variance_parts(
    Y: ArrayLike, specimens: ArrayLike, taxa: ArrayLike | None = None
) -> tuple[Array, Array, float, int, int]:
    r"""Mean products between specimens (within taxa) and within specimens.

    Parameters
    ----------
    Y : array-like of shape (n_digitisations, n_variables)
    specimens : array-like of shape (n_digitisations,)
    taxa : array-like of shape (n_digitisations,), optional
        All of one taxon by default.

    Returns
    -------
    between : ndarray of shape (n_variables, n_variables)
        Mean products of specimens about their taxa; its trace is the mean square.
    within : ndarray of shape (n_variables, n_variables)
        Mean products of digitisations about their specimens.
    n0 : float
        Mean number of replicates.
    between_df, within_df : int
        Degrees of freedom of one variable.

    Raises
    ------
    InferenceError
        If no specimen was digitised twice, a specimen has two taxa, or each taxon has but
        one specimen.

    Notes
    -----
    :math:`n_0 = \frac{1}{S - G} \left(N - \sum_g \frac{1}{N_g} \sum_{i \in g} n_i^2\right)`
    for :math:`S` specimens in :math:`G` taxa (Sokal & Rohlf, Biometry, on nested analysis of
    variance with unequal numbers; from memory).
    """
    Y = check_matrix(Y)
    names, own = indicator(specimens, len(Y))
    labels = np.zeros(len(Y)) if taxa is None else np.asarray(taxa)
    groups, member = indicator(labels, len(Y))
    S, G = len(names), len(groups)
    counts = own.sum(axis=0)
    joint = own.T @ member
    double = (joint > 0).sum(axis=1) > 1
    if double.any():
        raise InferenceError(
            f"These specimens stand under more than one taxon: {', '.join(map(str, names[double]))}"
            "."
        )
    if len(Y) == S:
        raise InferenceError(
            "No specimen was digitised twice: digitising error cannot be told from differences "
            "between specimens. Digitise some of them again.",
            "not_repeated",
        )
    if S == G:
        raise InferenceError(
            "Digitising error is held against differences between specimens, but "
            + ("there is one specimen." if S == 1 else "each taxon has but one specimen."),
            "one_specimen" if S == 1 else "one_specimen_each",
        )
    means = own.T @ Y / counts[:, None]
    taxon_counts = member.sum(axis=0)
    taxon_means = member.T @ Y / taxon_counts[:, None]
    from_taxon = np.sqrt(counts)[:, None] * (means - (joint > 0) @ taxon_means)
    from_mean = Y - own @ means
    n0 = (len(Y) - ((joint**2).sum(axis=0) / taxon_counts).sum()) / (S - G)
    between = from_taxon.T @ from_taxon / (S - G)
    return between, from_mean.T @ from_mean / (len(Y) - S), float(n0), S - G, len(Y) - S


def _effective_df(products: Array, df: int) -> float:
    """Degrees of freedom of the trace: df (sum of eigenvalues)^2 / sum of their squares."""
    total = float((products**2).sum())
    return df * float(np.trace(products)) ** 2 / total if total > 0 else float(df)


def repeatability(
    Y: ArrayLike,
    specimens: ArrayLike,
    taxa: ArrayLike | None = None,
    *,
    confidence: float = 0.95,
) -> Repeatability:
    r"""Intraclass correlation of replicates from mean squares.

    Parameters
    ----------
    Y : array-like of shape (n_digitisations, n_variables)
        Superimposed coordinates, or any variables measured in one unit; variances are
        summed over them.
    specimens : array-like of shape (n_digitisations,)
    taxa : array-like of shape (n_digitisations,), optional
        Given, differences between taxa are left out: a much harder yardstick.
    confidence : float

    Returns
    -------
    Repeatability

    Raises
    ------
    InferenceError
        As `variance_parts`, or if digitisations do not vary.

    Notes
    -----
    With :math:`F = MS_{between} / MS_{within}`, :math:`R = (F - 1) / (F + n_0 - 1)`. For one
    variable and equal numbers the interval is exact: :math:`F / F_{1 - \alpha/2}` and :math:`F
    / F_{\alpha/2}` in place of :math:`F`. For several variables each mean square is a sum of
    correlated ones, and its degrees of freedom :math:`\nu` are replaced by :math:`\nu
    (\sum \lambda)^2 / \sum \lambda^2` with :math:`\lambda` the eigenvalues of the mean products
    (Box 1954, The Annals of Mathematical Statistics 25(2), 290-302). Observers, where there
    are several, count as replicates: what they differ by is error.

    References
    ----------
    Bailey, R. C. & Byrnes, J. (1990). A new, old method for assessing measurement error in
    both univariate and multivariate morphometric studies. Systematic Zoology 39, 124-130.
    Fruciano, C. (2016). Measurement error in geometric morphometrics. Development Genes and
    Evolution 226, 139-158.
    Sokal, R. R. & Rohlf, F. J. Biometry: unequal numbers and the interval; from memory.

    Examples
    --------
    >>> twice = [[1.0], [1.1], [2.0], [2.1], [3.0], [3.1]]
    >>> round(repeatability(twice, ["a", "a", "b", "b", "c", "c"]).value, 3)
    0.995
    """
    if not 0 < confidence < 1:
        raise InferenceError(f"`confidence` must lie between 0 and 1, but is {confidence}.")
    between, within, n0, df1, df2 = variance_parts(Y, specimens, taxa)
    above, below = float(np.trace(between)), float(np.trace(within))
    if not above + below > 0:
        raise InferenceError(
            "The digitisations do not vary: all are the same.", "same_digitisations"
        )
    F = above / below if below > 0 else np.inf
    tail = (1 - confidence) / 2
    nu1, nu2 = _effective_df(between, df1), _effective_df(within, df2)
    upper, lower = (float(fdtri(nu1, nu2, p)) for p in (1 - tail, tail))

    def correlation(f: float) -> float:
        return 1.0 if np.isinf(f) else (f - 1) / (f + n0 - 1)

    labels = np.asarray(specimens)
    return Repeatability(
        value=correlation(F),
        low=correlation(F / upper),
        high=correlation(F / lower),
        confidence=confidence,
        replicates=n0,
        specimens=len(np.unique(labels)),
        digitisations=len(labels),
    )
