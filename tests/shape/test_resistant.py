"""Superimposition and medians that slips do not drag along."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from morpho.shape.resistant import resistant_fit, spatial_median


@pytest.mark.parametrize("d", [2, 3])
def test_a_few_landmarks_anywhere_do_not_move_the_rest(d):
    rng = np.random.default_rng(d)
    target = rng.normal(size=(12, d))
    c, s = np.cos(0.7), np.sin(0.7)
    turn = np.array([[c, -s], [s, c]])
    if d == 3:
        turn = Rotation.random(random_state=0).as_matrix()
    X = np.stack([4 * target @ turn + 10] * 2)
    X[0, :3] += rng.normal(scale=20, size=(3, d))
    X[1, 5] = np.nan
    aligned, scales = resistant_fit(X, target[None])
    np.testing.assert_allclose(aligned[0, 3:], np.broadcast_to(target[3:], (9, d)), atol=1e-3)
    np.testing.assert_allclose(np.delete(aligned[1], 5, axis=0), np.delete(target, 5, axis=0))
    assert np.isnan(aligned[1, 5]).all()
    np.testing.assert_allclose(scales, 0.25, rtol=1e-3)


def test_the_fit_is_its_own_weighted_fit():
    """Weighted least squares with the weights of the distances found gives the same again."""
    rng = np.random.default_rng(3)
    target = rng.normal(size=(10, 3))
    X = target + 0.1 * rng.normal(size=(10, 3))
    X[2] += 3
    aligned, scales = resistant_fit(X[None], target[None])
    r = np.linalg.norm(aligned[0] - target, axis=1)
    w = np.maximum(1 - (r / (4 * np.sort(r)[4])) ** 2, 0) ** 2
    assert w[2] == 0
    assert (np.delete(w, 2) > 0.3).all()
    x, m = scales[0] * X, target
    cx, cm = w @ x / w.sum(), w @ m / w.sum()
    R = Rotation.align_vectors(m - cm, x - cx, weights=w)[0]
    np.testing.assert_allclose(R.apply(x - cx) + cm, aligned[0], atol=1e-4)
    pairs = [
        np.linalg.norm(target[i] - target[j]) / np.linalg.norm(X[i] - X[j])
        for i in range(10)
        for j in range(i)
    ]
    assert scales[0] == pytest.approx(np.median(pairs))


def test_no_reflection():
    target = np.random.default_rng(0).normal(size=(8, 3))
    aligned = resistant_fit((target * [1, 1, -1])[None], target[None])[0][0]
    assert np.linalg.norm(aligned - target, axis=1).mean() > 0.1


def test_nothing_in_common():
    target = np.random.default_rng(0).normal(size=(8, 3))
    X = np.full((1, 8, 3), np.nan)
    aligned, _ = resistant_fit(X, target[None])
    assert np.isnan(aligned).all()


def test_spatial_median_is_the_point_of_least_summed_distance():
    rng = np.random.default_rng(1)
    X = rng.standard_t(2, size=(15, 4, 3))
    median = spatial_median(X)
    for j in range(4):

        def total(p, j=j):
            return np.linalg.norm(X[:, j] - p, axis=1).sum()

        best = minimize(total, X[:, j].mean(axis=0), method="Nelder-Mead")
        assert total(median[j]) == pytest.approx(best.fun, rel=1e-3)


def test_spatial_median_with_gaps():
    X = np.zeros((5, 3, 2))
    X[:2, 0] = 100  # two of five elsewhere
    X[:4, 1] = np.nan
    X[4, 1] = 7
    X[:, 2] = np.nan
    median = spatial_median(X)
    np.testing.assert_allclose(median[0], 0, atol=0.01)
    np.testing.assert_allclose(median[1], 7)
    assert np.isnan(median[2]).all()
