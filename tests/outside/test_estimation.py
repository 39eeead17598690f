"""Estimates of missing landmarks against scikit-learn and scipy, and draws against the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator
from scipy.spatial.transform import Rotation
from sklearn.linear_model import Ridge as SklearnRidge
from sklearn.linear_model import RidgeCV

from morpho.shape.estimation.estimator import LandmarkEstimator
from morpho.shape.estimation.hiding import hide_and_seek
from morpho.shape.estimation.ridge import PENALTIES, Ridge
from morpho.shape.rotation import best_rotations
from morpho.shape.superimposition import GeneralizedProcrustes

HIDDEN = [2, 7]
THERE = [0, 1, 3, 4, 5, 6, 8]


def bones(rng, n, k=9, factors=3, noise=0.02):
    mean, axes = rng.normal(size=(k, 3)), rng.normal(size=(factors, k, 3))
    X = mean + np.einsum("nf,fkd->nkd", 0.1 * rng.normal(size=(n, factors)), axes)
    return X + noise * rng.normal(size=X.shape)


def moved(X, rng):
    turns = Rotation.random(len(X), rng=rng).as_matrix()
    sizes = rng.uniform(5, 20, size=(len(X), 1, 1))
    return sizes * (X @ turns) + 30 * rng.normal(size=(len(X), 1, 3))


def in_one_frame(X, mean):
    """All landmarks, in the frame of those that are there, found here by singular values."""
    Z = X[:, THERE]
    centre = Z.mean(axis=1, keepdims=True)
    size = np.sqrt(((Z - centre) ** 2).sum(axis=(1, 2), keepdims=True))
    turns = best_rotations(np.einsum("nki,kj->nij", (Z - centre) / size, mean))
    return (X - centre) / size @ turns, (centre, size, turns)


def split(seed):
    rng = np.random.default_rng(seed)
    X = moved(bones(rng, 45), rng)
    mean = GeneralizedProcrustes().fit(X[5:, THERE]).mean_
    return X, in_one_frame(X, mean)


@pytest.mark.parametrize("share", [0.01, 0.5])
def test_regression_against_scikit_learn(share):
    """The same split and penalty: learned on 40 specimens, five estimated."""
    X, (Z, (centre, size, turns)) = split(0)
    x, y = Z[:, THERE].reshape(45, -1), Z[:, HIDDEN].reshape(45, -1)
    s = np.linalg.svd(x[5:] - x[5:].mean(axis=0), compute_uv=False)
    model = SklearnRidge(alpha=share * np.mean(s**2), solver="cholesky").fit(x[5:], y[5:])
    expected = Z[:5].copy()
    expected[:, HIDDEN] = model.predict(x[:5]).reshape(5, 2, 3)
    expected = expected @ turns[:5].transpose(0, 2, 1) * size[:5] + centre[:5]
    broken = X[:5].copy()
    broken[:, HIDDEN] = np.nan
    found = LandmarkEstimator(ridge=share).fit(X[5:]).transform(broken)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_the_penalty_against_scikit_learn():
    """Efficient leave-one-out of RidgeCV picks the same penalty, with the same errors.

    It works on centred data and counts the mean's leverage, too.
    """
    _, (Z, _) = split(1)
    x, y = Z[:, THERE].reshape(45, -1), Z[:, HIDDEN].reshape(45, -1)
    s = np.linalg.svd(x - x.mean(axis=0), compute_uv=False)
    alphas = PENALTIES * np.mean(s**2)
    theirs = RidgeCV(alphas=alphas, gcv_mode="svd", store_cv_results=True).fit(x, y)
    mine = Ridge().fit(x, y)
    assert mine.lambda_ == pytest.approx(theirs.alpha_)
    index = int(np.argmin(np.abs(alphas - theirs.alpha_)))
    np.testing.assert_allclose(
        mine.left_out_residuals_**2, theirs.cv_results_[:, :, index], rtol=1e-6, atol=1e-16
    )
    np.testing.assert_allclose(mine.predict(x), theirs.predict(x))


def test_spline_against_scipy():
    """Kernel |r| with an affine part; the nearest three complete specimens, averaged."""
    X, (Z, (centre, size, turns)) = split(2)
    expected = Z[:5].copy()
    for i in range(5):
        far = ((Z[5:, THERE] - Z[i, THERE]) ** 2).sum(axis=(1, 2))
        nearest = 5 + np.argsort(far)[:3]
        warped = [
            RBFInterpolator(Z[s, THERE], Z[i, THERE], kernel="linear", degree=1)(Z[s, HIDDEN])
            for s in nearest
        ]
        expected[i, HIDDEN] = np.mean(warped, axis=0)
    expected = expected @ turns[:5].transpose(0, 2, 1) * size[:5] + centre[:5]
    broken = X[:5].copy()
    broken[:, HIDDEN] = np.nan
    found = LandmarkEstimator(method="spline").fit(X[5:]).transform(broken)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_regression_heeds_covariation_that_a_spline_does_not():
    """Gunz et al. (2009): with enough specimens regression does better than a spline."""
    X = 10 * bones(np.random.default_rng(3), 60)
    errors = {
        method: np.mean(hide_and_seek(X, method=method, n_imputations=2, random_state=0).error_mm)
        for method in ("regression", "spline")
    }
    assert errors["regression"] < 0.8 * errors["spline"]


@pytest.mark.long
@pytest.mark.parametrize("method", ["regression", "spline"])
@pytest.mark.parametrize("n", [15, 40])
def test_draws_hold_the_truth_as_often_as_they_say(method, n):
    """Share of hidden landmarks in the 90 % region of their imputations, over simulated samples."""
    rng = np.random.default_rng(4)
    coverage = [
        hide_and_seek(
            bones(rng, n), method=method, n_imputations=200, random_state=rng
        ).coverage.mean()
        for _ in range(3 if n == 40 else 6)
    ]
    assert np.mean(coverage) == pytest.approx(0.9, abs=0.035)


@pytest.mark.long
@pytest.mark.parametrize("region", [0.5, 0.9])
def test_two_landmarks_hidden_together_are_drawn_together(region):
    """Joint regions of both landmarks' six coordinates, so their covariance must be right."""
    rng = np.random.default_rng(5)
    inside, tried = 0, 400
    for _ in range(tried // 20):
        X = bones(rng, 60, noise=0.03)
        broken = X[:20].copy()
        broken[:, HIDDEN] = np.nan
        model = LandmarkEstimator().fit(X[20:])
        errors = model.draw(broken, 300, rng)[:, :, HIDDEN] - model.transform(broken)[:, HIDDEN]
        errors = errors.reshape(300, 20, 6)
        miss = (X[:20, HIDDEN] - model.transform(broken)[:, HIDDEN]).reshape(20, 6)
        for i in range(20):
            inverse = np.linalg.inv(errors[:, i].T @ errors[:, i])
            far = np.einsum("mi,ij,mj->m", errors[:, i], inverse, errors[:, i])
            inside += miss[i] @ inverse @ miss[i] <= np.quantile(far, region)
    # specimens of one sample share what was learned, so that the share scatters more than alone
    assert inside / tried == pytest.approx(region, abs=0.08)
