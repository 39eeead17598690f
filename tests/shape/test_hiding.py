"""Hide and seek: against a plain loop, and against the truth of simulated bones."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.checks import ShapeError
from morpho.shape.estimation.estimator import LandmarkEstimator
from morpho.shape.estimation.hiding import hide_and_seek


def bones(n, noise, seed=0, k=8):
    rng = np.random.default_rng(seed)
    mean, axis = rng.normal(size=(k, 3)), rng.normal(size=(k, 3))
    X = mean + 0.1 * rng.normal(size=(n, 1, 1)) * axis + noise * rng.normal(size=(n, k, 3))
    return 10 * X


@pytest.mark.parametrize("method", ["regression", "spline"])
def test_errors_are_those_of_a_plain_loop(method):
    X = bones(10, 0.03)
    found = hide_and_seek(X, method=method, n_imputations=20, random_state=0)
    squares = np.empty((10, 8))
    for i in range(10):
        for j in range(8):
            broken = X[i : i + 1].copy()
            broken[0, j] = np.nan
            model = LandmarkEstimator(method=method).fit(X[np.arange(10) != i])
            squares[i, j] = ((model.transform(broken)[0, j] - X[i, j]) ** 2).sum()
    np.testing.assert_allclose(found.error_mm, np.sqrt(squares.mean(axis=0)))
    assert found.specimens == 10
    assert found.estimated.tolist() == [method] * 8


def test_error_is_that_of_the_noise_and_coverage_near_the_region():
    X = bones(40, 0.02)
    found = hide_and_seek(X, random_state=1)
    # 0.02 a coordinate in bones ten times larger: 0.35 mm in space
    assert (found.error_mm > 0.25).all()
    assert (found.error_mm < 0.7).all()
    assert found.coverage.mean() == pytest.approx(0.9, abs=0.05)
    assert (found.error_in_spread < 1.2).all()


def test_spread_is_that_within_taxa():
    """Two taxa far apart: held against the spread over both, errors look small."""
    X = np.concatenate([bones(15, 0.02), bones(15, 0.02) + bones(1, 0.3, seed=3) / 3])
    taxa = np.repeat(["coast", "marsh"], 15)
    within = hide_and_seek(X, taxa=taxa, n_imputations=10, random_state=0)
    over_all = hide_and_seek(X, n_imputations=10, random_state=0)
    np.testing.assert_allclose(within.error_mm, over_all.error_mm)
    assert (within.error_in_spread > over_all.error_in_spread).all()


def test_the_same_seed_gives_the_same():
    X = bones(8, 0.03)
    one, two = (hide_and_seek(X, n_imputations=50, random_state=3) for _ in range(2))
    np.testing.assert_array_equal(one.coverage, two.coverage)


def test_what_is_refused():
    X = bones(8, 0.03)
    with pytest.raises(ShapeError, match="at least 6 specimens"):
        hide_and_seek(X[:5])
    with pytest.raises(ShapeError, match=r"taxa of shape \(3,\) for 8"):
        hide_and_seek(X, taxa=["a", "b", "c"])
    with pytest.raises(ShapeError, match="alone in its taxon"):
        hide_and_seek(X, taxa=list("abcdefgh"))
    with pytest.raises(ValueError, match="`region`"):
        hide_and_seek(X, region=1.0)
