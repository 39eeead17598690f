"""The Longley data: least squares where the covariates are nearly dependent."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from statsmodels.datasets import longley

from morpho.inference.models.linear_model import term_tests

# Certified values of the Statistical Reference Datasets (Longley), National Institute of
# Standards and Technology; data of Longley (1967), Journal of the American Statistical
# Association 62, 819-841. Typed from memory; the first test confirms
# them by normal equations in exact fractions.
COEFFICIENTS = [
    -3482258.63459582,
    15.0618722713733,
    -0.358191792925910e-01,
    -2.02022980381683,
    -1.03322686717359,
    -0.511041056535807e-01,
    1829.15146461355,
]
RESIDUAL_SD = 304.854073561965
R_SQUARED = 0.995479004577296
F_RATIO = 330.285339234588
NAMES = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]


@pytest.fixture(scope="module")
def study():
    table = longley.load_pandas()
    return table.exog[NAMES].to_numpy(float), table.endog.to_numpy(float)[:, None]


def _solve_exactly(X, y):
    """Coefficients by Gauss-Jordan elimination of the normal equations, without rounding."""
    X = [[Fraction(str(value)) for value in row] for row in X.tolist()]
    y = [Fraction(str(value)) for value in y.tolist()]
    m = range(len(X[0]))
    rows = [
        [sum(row[i] * row[j] for row in X) for j in m]
        + [sum(row[i] * value for row, value in zip(X, y, strict=True))]
        for i in m
    ]
    for i in m:
        rows[i] = [value / rows[i][i] for value in rows[i]]
        for j in m:
            if j != i:
                rows[j] = [a - rows[j][i] * b for a, b in zip(rows[j], rows[i], strict=True)]
    return np.array([float(row[-1]) for row in rows])


def test_certified_values_are_typed_right(study):
    """Exact fractions give the certified coefficients to all their 15 digits."""
    covariates, y = study
    X = np.column_stack([np.ones(len(y)), covariates])
    np.testing.assert_allclose(_solve_exactly(X, y[:, 0]), COEFFICIENTS, rtol=1e-14)


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4, 5], [5, 4, 3, 2, 1, 0], [3, 5, 0, 4, 2, 1]])
def test_certified_analysis_of_variance(study, order):
    """Share of variance and F of the whole model, put together from the sequential table.

    Whatever the order of the terms; years run from 1947 to 1962, far from zero.
    """
    covariates, y = study
    variables = dict(zip(NAMES, covariates.T, strict=True))
    terms = [NAMES[j] for j in order]
    table = term_tests(y, terms, variables, permutations=0).set_index("term")
    assert 1 - table.share_of_variance["residual"] == pytest.approx(R_SQUARED, rel=1e-10)
    model = table.sum_of_squares[terms].sum() / table.degrees_of_freedom[terms].sum()
    assert model / table.mean_square["residual"] == pytest.approx(F_RATIO, rel=1e-8)
    assert np.sqrt(table.mean_square["residual"]) == pytest.approx(RESIDUAL_SD, rel=1e-8)


def test_last_term_has_the_certified_t(study):
    """F of the last term is the square of its t: certified coefficient over its certified SD.

    Certified standard deviations from memory: 455.478499142212 for the year, 0.214274163161675
    for armed forces.
    """
    covariates, y = study
    variables = dict(zip(NAMES, covariates.T, strict=True))
    for name, coefficient, deviation in (
        ("YEAR", 1829.15146461355, 455.478499142212),
        ("ARMED", -1.03322686717359, 0.214274163161675),
    ):
        terms = [*(other for other in NAMES if other != name), name]
        table = term_tests(y, terms, variables, permutations=0).set_index("term")
        assert table.f_ratio[name] == pytest.approx((coefficient / deviation) ** 2, rel=1e-8)
