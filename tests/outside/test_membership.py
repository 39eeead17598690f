"""Membership by other people's code: prediction intervals, Hotelling's tests, Holm's rule."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.multitest import multipletests

from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.distances import typicality
from morpho.inference.taxa.groups import holm

TAXA = np.repeat(["coast", "marsh", "ridge"], [6, 9, 12])


@pytest.mark.parametrize("heeded", [False, True])
def test_one_variable_is_the_prediction_interval(heeded):
    """OLS of statsmodels, `get_prediction`: one variable has nothing to shrink.

    Both distances are then Student's t of a new observation, by its standard error.
    """
    rng = np.random.default_rng(3)
    size, own = rng.normal(size=27) + (TAXA == "ridge"), np.array([0.7])
    Y = rng.normal(size=(27, 1)) + 0.5 * size[:, None]
    dummies = pd.get_dummies(TAXA).to_numpy(float)
    fit = sm.OLS(Y[:, 0], np.column_stack([dummies, size]) if heeded else dummies).fit()
    held = KnownTaxa(Y, TAXA, size if heeded else None).hold([[1.4]], own if heeded else None)
    for g in range(3):
        row = np.eye(3)[g : g + 1]
        predicted = fit.get_prediction(np.column_stack([row, own]) if heeded else row)
        t = (1.4 - predicted.predicted_mean[0]) / predicted.se_obs[0]
        assert held.mahalanobis[0, g] == pytest.approx(abs(t), rel=1e-8)
        assert held.landmarks[0, g] == pytest.approx(abs(t), rel=1e-8)


def test_typicality_is_hotellings_test():
    """Hotelling's T2 of a new observation: n / (n + 1) D^2 = T2, (n - p) T2 / (p (n - 1)) ~ F.

    Anderson (2003), An Introduction to Multivariate Statistical Analysis, 3rd ed.
    (from memory), with covariance matrix and inverse by numpy.
    """
    rng = np.random.default_rng(1)
    n, p = 12, 4
    Y, q = rng.normal(size=(n, p)) @ rng.normal(size=(p, p)), rng.normal(size=(30, p))
    away = q - Y.mean(axis=0)
    D2 = np.einsum("ij,jk,ik->i", away, np.linalg.inv(np.cov(Y, rowvar=False)), away)
    expected = stats.f.sf((n - p) / (p * (n - 1)) * n / (n + 1) * D2, p, n - p)
    np.testing.assert_allclose(typicality(D2, p, n - 1, 1 / n), expected, rtol=1e-9)


@pytest.mark.parametrize(("m", "n", "p"), [(2, 9, 2), (7, 5, 4), (30, 12, 6)])
def test_typicality_is_hotellings_two_sample_test_at_another_leverage(m, n, p):
    """Two means instead of an observation and a mean: 1 + h is 1/m + 1/n, all else the same.

    Pingouin's p-value is then that of `typicality` with the leverage 1/m + 1/n - 1; for m = 1
    it is 1/n, that of one query against n specimens.
    """
    pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(m + n)
    X, Y = rng.normal(size=(m, p)), rng.normal(size=(n, p)) + 0.7
    # the first sample must have five
    row = pingouin.multivariate_ttest(*((X, Y) if m >= 5 else (Y, X))).iloc[0]
    v = m + n - 2
    pooled = ((m - 1) * np.cov(X, rowvar=False) + (n - 1) * np.cov(Y, rowvar=False)) / v
    away = X.mean(axis=0) - Y.mean(axis=0)
    found = typicality(away @ np.linalg.inv(pooled) @ away, p, v, 1 / m + 1 / n - 1)
    assert float(found) == pytest.approx(row["pval"], rel=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_holm_as_statsmodels(seed):
    """multipletests(method='holm') of statsmodels, ties and large values included."""
    rng = np.random.default_rng(seed)
    p = np.round(rng.uniform(size=12) ** 3, 2)
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-14)
    with_blank = np.insert(p, 4, np.nan)
    np.testing.assert_allclose(np.delete(holm(with_blank), 4), holm(p))
