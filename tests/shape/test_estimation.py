"""Missing landmarks: estimates, draws, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.shape.checks import ShapeError
from morpho.shape.estimation.estimator import LandmarkEstimator

PARTNERS = np.array([1, 0, 3, 2, 5, 4, 6, 7, 8])


def bones(n=30, k=9, factors=2, noise=0.01, seed=0, symmetric=False):
    """Bones that vary along a few directions and a little at random, in any pose and size."""
    rng = np.random.default_rng(seed)
    mean, axes = rng.normal(size=(k, 3)), rng.normal(size=(factors, k, 3))
    if symmetric:
        for A in (mean, *axes):
            A[[1, 3, 5]] = A[[0, 2, 4]] * [1, 1, -1]
            A[6:, 2] = 0
    X = mean + np.einsum("nf,fkd->nkd", 0.1 * rng.normal(size=(n, factors)), axes)
    X += noise * rng.normal(size=X.shape)
    turns = Rotation.random(n, random_state=seed).as_matrix()
    return rng.uniform(5, 20, size=(n, 1, 1)) * (X @ turns) + rng.normal(scale=50, size=(n, 1, 3))


def hide(X, *landmarks):
    X = X.copy()
    X[:, list(landmarks)] = np.nan
    return X


def errors(true, found):
    size = np.sqrt(((true - true.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2)))
    return np.linalg.norm(true - found, axis=2) / size[:, None]


@pytest.mark.parametrize("method", ["regression", "spline"])
def test_what_is_there_is_untouched_and_the_rest_is_near(method):
    X = bones()
    broken = hide(X[:5], 2, 7)
    model = LandmarkEstimator(method=method).fit(X[5:])
    found = model.transform(broken)
    there = ~np.isnan(broken)
    np.testing.assert_array_equal(found[there], broken[there])
    assert errors(X[:5], found).max() < (0.03 if method == "regression" else 0.12)
    np.testing.assert_array_equal(model.transform(X[:5]), X[:5])


def test_regression_knows_the_directions_of_variation():
    """Without noise and within the span of the sample, shapes are known nearly exactly.

    Not quite: superimposition bends the straight lines of variation a little.
    """
    X = bones(noise=0.0, n=60, factors=1)
    found = LandmarkEstimator().fit(X[5:]).transform(hide(X[:5], 3))
    assert errors(X[:5], found).max() < 2e-3
    mean = LandmarkEstimator(ridge=1e6).fit(X[5:]).transform(hide(X[:5], 3))
    assert errors(X[:5], mean).max() > 2e-2


@pytest.mark.parametrize("method", ["regression", "spline"])
def test_estimates_move_with_the_specimen(method):
    X = bones()
    broken = hide(X[:3], 4)
    turn = Rotation.random(random_state=1).as_matrix()
    model = LandmarkEstimator(method=method).fit(X[3:])
    moved = model.transform(2.5 * broken @ turn + 30)
    np.testing.assert_allclose(moved, 2.5 * model.transform(broken) @ turn + 30, atol=1e-6)


def test_a_spline_carries_affine_change_over_exactly():
    X = bones(n=6, noise=0.0)
    X[1:] = X[1] @ np.random.default_rng(0).normal(size=(5, 3, 3))
    found = LandmarkEstimator(method="spline", n_neighbours=2).fit(X[1:]).transform(hide(X[1:2], 0))
    np.testing.assert_allclose(found[0], X[1], atol=1e-6)


def test_a_spline_starts_from_the_nearest():
    X = bones(n=12, noise=0.05)
    model = LandmarkEstimator(method="spline", n_neighbours=1).fit(np.vstack([X[:1], X]))
    # its own copy is nearest, and gives it back
    np.testing.assert_allclose(model.transform(hide(X[:1], 5)), X[:1], atol=1e-8)


def test_the_mirror_side_comes_first():
    X = bones(symmetric=True, noise=0.0)
    model = LandmarkEstimator(partners=PARTNERS).fit(X[5:])
    broken = hide(X[:5], 0)
    broken[1, [2, 3, 6]] = np.nan
    found = model.transform(broken)
    np.testing.assert_allclose(found[:, 0], X[:5, 0], atol=1e-8)
    how = model.estimated(broken)
    assert how.shape == (5, 9)
    assert (how[:, 0] == "mirror side").all()
    assert np.flatnonzero(how[1] == "regression").tolist() == [2, 3, 6]
    assert np.flatnonzero(how[1] == "").tolist() == [1, 4, 5, 7, 8]
    assert (how[0, 1:] == "").all()
    assert (LandmarkEstimator().fit(X).estimated(broken)[:, 0] == "regression").all()


def test_without_a_plane_of_symmetry_the_method_does_it():
    """One side and two landmarks of the midline are left: no plane, but enough to regress on."""
    X = bones(symmetric=True)
    broken = hide(X[:2], 1, 3, 5, 8)
    model = LandmarkEstimator(partners=PARTNERS).fit(X[2:])
    assert model.estimated(broken)[0, 1] == "regression"
    assert errors(X[:2], model.transform(broken)).max() < 0.1


def test_draws_scatter_about_the_estimate_like_the_errors():
    X = bones(n=40, noise=0.03)
    model = LandmarkEstimator().fit(X[1:])
    broken = hide(X[:1], 2, 7)
    drawn = model.draw(broken, 4000, random_state=0)
    assert drawn.shape == (4000, 1, 9, 3)
    there = ~np.isnan(broken)
    np.testing.assert_array_equal(drawn[:, there], np.repeat(broken[there][None], 4000, axis=0))
    estimate = model.transform(broken)[0]
    spread = drawn[:, 0].std(axis=0)
    middle = drawn[:, 0].mean(axis=0)
    hidden = [2, 7]
    assert (np.abs(middle - estimate)[hidden] < 0.1 * spread[hidden]).all()
    # as wide as the errors made in specimens left out one at a time, or a little wider
    left_out = [
        LandmarkEstimator().fit(np.delete(X, i, axis=0)).transform(hide(X[i : i + 1], *hidden))
        for i in range(40)
    ]
    made = np.sqrt((errors(X, np.concatenate(left_out)) ** 2).mean(axis=0))[hidden]
    size = np.sqrt(((X[0] - X[0].mean(axis=0)) ** 2).sum())
    ratio = np.linalg.norm(spread[hidden], axis=1) / size / made
    assert (ratio > 0.9).all()
    assert (ratio < 1.5).all()


def test_a_strange_specimen_has_wider_draws():
    X = bones(n=40, noise=0.02)
    model = LandmarkEstimator(ridge=0.01).fit(X[2:])
    one = X[:1] - X[:1].mean(axis=1, keepdims=True)
    strange = one + 0.3 * one.std() * np.random.default_rng(0).normal(size=one.shape)
    widths = [
        model.draw(hide(x, 3), 500, random_state=1)[:, 0, 3].std(axis=0).mean()
        for x in (one, strange)
    ]
    assert widths[1] > 2 * widths[0]


@pytest.mark.parametrize("partners", [None, PARTNERS])
@pytest.mark.parametrize("method", ["regression", "spline"])
def test_draws_repeat_with_the_seed(method, partners):
    X = bones(symmetric=True, noise=0.02)
    broken = hide(X[:3], 0, 6)
    model = LandmarkEstimator(method=method, partners=partners).fit(X[3:])
    first = model.draw(broken, 3, random_state=5)
    np.testing.assert_array_equal(first, model.draw(broken, 3, random_state=5))
    assert (first != model.draw(broken, 3, random_state=6)).any()
    assert np.isfinite(first).all()
    assert (first[0, :, 0] != first[1, :, 0]).any()


def test_too_little_left_is_refused_in_words():
    X = bones()
    broken = X[:3].copy()
    broken[1, 3:] = np.nan
    broken[2] = np.nan
    model = LandmarkEstimator().fit(X)
    for call in (model.transform, model.estimated, lambda B: model.draw(B, 2)):
        with pytest.raises(ShapeError, match=r"Specimens \[1, 2\] .* \(\[3, 0\] landmarks\)"):
            call(broken)


def test_what_is_refused():
    X = bones()
    with pytest.raises(ValueError, match="`method` must be one of"):
        LandmarkEstimator(method="guess").fit(X)
    with pytest.raises(ValueError, match="`n_neighbours`"):
        LandmarkEstimator(n_neighbours=0).fit(X)
    with pytest.raises(ShapeError, match="at least 5 specimens"):
        LandmarkEstimator().fit(X[:4])
    with pytest.raises(ShapeError, match="missing or infinite"):
        LandmarkEstimator().fit(hide(X, 2))
    with pytest.raises(ShapeError, match="9 whole numbers"):
        LandmarkEstimator(partners=[1, 0]).fit(X)
    with pytest.raises(NotFittedError):
        LandmarkEstimator().transform(X)
    model = LandmarkEstimator().fit(X)
    with pytest.raises(ShapeError, match=r"must have shape \(n_specimens, 9, 3\)"):
        model.transform(X[:, :8])
    with pytest.raises(ValueError, match="`n_imputations`"):
        model.draw(X, 0)


def test_estimator_can_be_cloned():
    model = LandmarkEstimator(method="spline", partners=PARTNERS, ridge=0.5, n_neighbours=4)
    assert clone(model).get_params()["n_neighbours"] == 4


def test_two_dimensions():
    X = bones(factors=1)[..., :2]
    found = LandmarkEstimator(method="spline").fit(X[3:]).transform(hide(X[:3], 4))
    assert np.isfinite(found).all()
