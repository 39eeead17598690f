"""Repeatability against pingouin and statsmodels, digitising error against statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import mixedlm, ols

from morpho.inference.data.digitising_error import digitising_error
from morpho.inference.data.repeatability import repeatability
from morpho.shape.superimposition import GeneralizedProcrustes


def bones(rng, n=10, observers=2, twice=2, k=6):
    true = rng.normal(size=(k, 3)) + 0.2 * rng.normal(size=(n, 1, 1, k, 3))
    habit = 0.05 * rng.normal(size=(1, observers, 1, k, 3))
    X = true + habit + 0.05 * rng.normal(size=(n, observers, twice, k, 3))
    who = np.broadcast_to(np.arange(observers)[None, :, None], X.shape[:3]).ravel()
    specimens = np.broadcast_to(np.arange(n)[:, None, None], X.shape[:3]).ravel()
    return 10 * X.reshape(-1, k, 3), specimens, who


def test_repeatability_of_one_coordinate_against_pingouin():
    """One-way random intraclass correlation of single measurements, with its interval."""
    pingouin = pytest.importorskip("pingouin")
    X, specimens, _ = bones(np.random.default_rng(0))
    y = GeneralizedProcrustes().fit_transform(X)[:, 2, 1]
    data = pd.DataFrame({"y": y, "specimen": specimens, "time": np.tile(np.arange(4), 10)})
    table = pingouin.intraclass_corr(data, targets="specimen", raters="time", ratings="y")
    single = table[table["Type"].isin(["ICC1", "ICC(1,1)"])].iloc[0]
    interval = single[next(name for name in table.columns if name.startswith("CI95"))]
    found = repeatability(y[:, None], specimens)
    assert found.value == pytest.approx(single["ICC"], abs=1e-6)
    # pingouin prints the interval to two decimals
    assert found.low == pytest.approx(interval[0], abs=0.0051)
    assert found.high == pytest.approx(interval[1], abs=0.0051)


def test_repeatability_against_variance_components_of_a_mixed_model():
    """Restricted likelihood agrees with mean squares exactly where numbers are equal."""
    X, specimens, _ = bones(np.random.default_rng(1), n=25)
    y = GeneralizedProcrustes().fit_transform(X)[:, 0, 0]
    data = pd.DataFrame({"y": 100 * y, "specimen": specimens})
    fit = mixedlm("y ~ 1", data, groups=data["specimen"]).fit(reml=True)
    between, within = float(fit.cov_re.iloc[0, 0]), float(fit.scale)
    found = repeatability(y[:, None], specimens)
    assert found.value == pytest.approx(between / (between + within), abs=1e-4)


@pytest.mark.parametrize("balanced", [True, False])
def test_the_table_against_statsmodels(balanced):
    """Sequential sums of squares, added up over superimposed coordinates."""
    X, specimens, who = bones(np.random.default_rng(2))
    if not balanced:
        keep = np.delete(np.arange(40), [1, 2, 3, 10, 22, 23])
        X, specimens, who = X[keep], specimens[keep], who[keep]
    table = digitising_error(X, specimens, who, permutations=0).anova.set_index("source")
    Z = GeneralizedProcrustes().fit_transform(X).reshape(len(X), -1)
    expected = np.zeros(4)
    for column in Z.T:
        data = pd.DataFrame({"y": column, "s": specimens.astype(str), "o": who.astype(str)})
        # constraints of cells that are not there would upset the formula's interaction
        steps = [sm.add_constant(pd.get_dummies(data["s"], drop_first=True, dtype=float))]
        steps.append(steps[0].assign(o=(data["o"] == "1").astype(float)))
        cells = pd.get_dummies(data["s"] + data["o"], dtype=float)
        residual = [((column - column.mean()) ** 2).sum()]
        residual += [sm.OLS(column, step).fit().ssr for step in (*steps, cells)]
        expected += [*(-np.diff(residual)), residual[-1]]
        if balanced:
            whole = sm.stats.anova_lm(ols("y ~ s + o + s:o", data).fit(), typ=1)["sum_sq"]
            np.testing.assert_allclose(whole, [*(-np.diff(residual)), residual[-1]])
    sources = ["specimen", "observer", "observer by specimen", "error"]
    np.testing.assert_allclose(table.loc[sources, "sum_of_squares"], expected, rtol=1e-8)


def test_error_per_landmark_against_plain_standard_deviations():
    """Error of a landmark in mm is the pooled deviation of replicates, as far as noise is small.

    Superimposition takes a little of it away: 7 of 90 coordinates' worth, and brings noise
    of the others to the quietest landmarks.
    """
    rng = np.random.default_rng(3)
    true = 10 * rng.normal(size=(30, 3)) + 2 * rng.normal(size=(20, 1, 30, 3))
    noise = rng.uniform(0.05, 0.3, size=(30, 1))
    X = (true + noise * rng.normal(size=(20, 3, 30, 3))).reshape(-1, 30, 3)
    found = digitising_error(X, np.repeat(np.arange(20), 3), permutations=0).landmarks
    np.testing.assert_allclose(found["error_mm"], np.sqrt(3) * noise[:, 0], rtol=0.35)
    assert np.corrcoef(found["error_mm"], noise[:, 0])[0, 1] > 0.98
