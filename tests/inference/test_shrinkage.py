"""The shrunken covariance: its weight against scikit-learn, and what it says beyond the sample."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis
from sklearn.covariance import ledoit_wolf_shrinkage

from morpho.inference.models.shrinkage import ShrunkenCovariance, shrinkage

SHAPES = [(5, 40), (12, 12), (30, 6), (8, 2), (3, 4), (400, 3)]


def residuals(rng, shape):
    R = rng.normal(size=shape) * np.geomspace(4, 0.3, shape[1])
    return R - R.mean(axis=0)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("unit", [1e-6, 1.0, 300.0])
def test_the_weight_is_that_of_scikit_learn(rng, shape, unit):
    R = unit * residuals(rng, shape)
    expected = ledoit_wolf_shrinkage(R, assume_centered=True)
    assert shrinkage(R) == pytest.approx(expected, abs=1e-10)


def test_the_weight_at_its_ends(rng):
    """All variances alike: round already. A line that many specimens follow: hardly shrunken."""
    assert shrinkage(np.vstack([np.eye(3), -np.eye(3)])) == 1
    assert shrinkage(rng.normal(size=(9, 1))) == 1
    assert shrinkage(np.outer(rng.normal(size=3000), [1.0, 2.0])) < 0.01


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("factor", [1.0, 1.4])
def test_lengths_are_mahalanobis_distances_by_the_plain_matrix(rng, shape, factor):
    R, v = residuals(rng, shape), shape[0] - 1
    found, m = ShrunkenCovariance.of(R, v), shape[1]
    S = R.T @ R / v
    weight = ledoit_wolf_shrinkage(R, assume_centered=True)
    plain = (1 - weight) * S + max(weight, 1e-9) * np.trace(S) / m * np.eye(m)
    plain += (1 - weight) * (factor - 1) * S
    inverse = np.linalg.inv(plain)
    vectors = rng.normal(size=(3, m))
    along, beyond = found.split(vectors)
    np.testing.assert_allclose(along @ found.axes.T + beyond, vectors, atol=1e-12)
    squares = (along**2 / found.spectrum(factor)).sum(axis=1)
    squares += (beyond**2).sum(axis=1) / found.floor
    expected = [mahalanobis(e, np.zeros(m), inverse) ** 2 for e in vectors]
    np.testing.assert_allclose(squares, expected, rtol=1e-6)


def test_directions_without_any_variation_stay_finite():
    """Nothing to shrink, as each specimen tells the same: beyond the line it is a billionth."""
    R = np.outer([1.0, -1.0] * 5, [1.0, 2.0, 0.0])
    found = ShrunkenCovariance.of(R, 9)
    assert found.weight == pytest.approx(0, abs=1e-12)
    along, beyond = found.split(np.array([[0.0, 0.0, 1.0]]))
    assert along == pytest.approx(0)
    assert beyond[0, 2] ** 2 / found.floor == pytest.approx(3e9 / (50 / 9))


def test_it_comes_nearer_to_the_truth_than_the_sample():
    """Ledoit and Wolf (2004): in mean square, over forty samples of ten specimens."""
    rng, truth = np.random.default_rng(5), np.diag(np.geomspace(5, 0.2, 30))
    off = []
    for _ in range(40):
        R = rng.normal(size=(10, 30)) @ np.sqrt(truth)
        found = ShrunkenCovariance.of(R, 10)
        shrunken = (found.axes * (found.spectrum() - found.floor)) @ found.axes.T
        shrunken += found.floor * np.eye(30)
        off.append([((A - truth) ** 2).sum() for A in (shrunken, R.T @ R / 10)])
    ours, sample = np.mean(off, axis=0)
    assert ours < 0.6 * sample
