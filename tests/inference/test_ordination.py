"""Shape space: planted axes, rules for their number, poor data."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.inference.models.design import InferenceError
from morpho.inference.models.ordination import (
    ShapeSpace,
    broken_stick,
    fix_signs,
    most_axes,
    parallel_analysis,
)


def planted(deviations, n=40, p=9, seed=0):
    """Data whose principal axes and variances are known, about a mean of ones."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(size=(n, len(deviations)))
    scores = np.linalg.qr(scores - scores.mean(axis=0))[0] * np.sqrt(n - 1)
    axes = np.linalg.qr(rng.normal(size=(p, len(deviations))))[0]
    return 1 + (scores * deviations) @ axes.T, axes


@pytest.mark.parametrize(("n", "p"), [(40, 9), (8, 30)])
def test_planted_variances_and_axes(n, p):
    X, axes = planted([4.0, 2.0, 1.0], n, p)
    space = ShapeSpace(axes="share").fit(X)
    np.testing.assert_allclose(space.variance_, [16, 4, 1])
    np.testing.assert_allclose(space.share_of_variance_, np.array([16, 4, 1]) / 21)
    np.testing.assert_allclose(np.abs(space.components_ @ axes), np.eye(3), atol=1e-12)
    np.testing.assert_allclose(space.mean_, X.mean(axis=0))


def test_the_largest_loading_of_each_axis_is_positive():
    X, _ = planted([4.0, 2.0, 1.0])
    components = ShapeSpace(axes="share").fit(X).components_
    largest = components[np.arange(3), np.abs(components).argmax(axis=1)]
    assert (largest > 0).all()
    mirrored = ShapeSpace(axes="share").fit(2 - X)
    np.testing.assert_allclose(mirrored.components_, components, atol=1e-12)


def test_fix_signs():
    axes = np.array([[1.0, -3.0, 0.0], [-2.0, 1.0, 0.0]])
    np.testing.assert_array_equal(fix_signs(axes), [[-1, 3, 0], [2, -1, 0]])


def test_there_and_back():
    X, _ = planted([4.0, 2.0, 1.0])
    space = ShapeSpace(axes="share").fit(X)
    scores = space.transform(X)
    assert scores.shape == (40, 3)
    np.testing.assert_allclose(scores.std(axis=0, ddof=1), [4, 2, 1])
    np.testing.assert_allclose(space.inverse_transform(scores), X, atol=1e-12)
    # fewer axes give the nearest shape that they can
    first = space.inverse_transform(scores[:, :1])
    assert ((X - first) ** 2).sum() == pytest.approx(39 * 5)
    np.testing.assert_allclose(space.inverse_transform([0.0]), space.mean_[None])


@pytest.mark.parametrize(
    ("share", "kept"), [(0.5, 1), (16 / 21, 1), (0.77, 2), (20 / 21, 2), (0.96, 3), (1.0, 3)]
)
def test_axes_by_share(share, kept):
    X, _ = planted([4.0, 2.0, 1.0])
    space = ShapeSpace(axes="share", share=share).fit(X)
    assert space.n_axes_ == kept
    assert np.isnan(space.threshold_).all()


def test_axes_by_broken_stick():
    """Shares 0.62, 0.31, 0.04, 0.03 against 0.52, 0.27, 0.15, 0.06: two stand out."""
    X, _ = planted(np.sqrt([0.62, 0.31, 0.04, 0.03]))
    space = ShapeSpace(axes="broken_stick").fit(X)
    np.testing.assert_allclose(space.threshold_, broken_stick(4))
    assert space.n_axes_ == 2


def test_broken_stick_by_hand():
    np.testing.assert_allclose(broken_stick(2), [3 / 4, 1 / 4])
    np.testing.assert_allclose(broken_stick(4).sum(), 1)


def test_axes_by_parallel_analysis():
    """Two strong axes in noise: unrelated variables explain the rest."""
    rng = np.random.default_rng(3)
    loadings = np.kron(np.diag([3.0, 2.0]), np.ones(6))
    X = rng.normal(size=(60, 2)) @ loadings + rng.normal(size=(60, 12))
    space = ShapeSpace(axes="parallel", random_state=0).fit(X)
    assert space.n_axes_ == 2
    expected = parallel_analysis(X, random_state=0) / space.variance_.sum()
    np.testing.assert_allclose(space.threshold_, expected)


def test_parallel_analysis_keeps_the_spread_of_each_variable(rng):
    X = rng.normal(size=(30, 4)) * [1, 2, 3, 4] + 100
    expected = parallel_analysis(X, repeats=50, quantile=0.5, random_state=0)
    assert expected.shape == (4,)
    assert expected.sum() == pytest.approx(X.var(axis=0, ddof=1).sum(), rel=0.05)
    np.testing.assert_array_equal(
        expected, parallel_analysis(X, repeats=50, quantile=0.5, random_state=0)
    )


def test_parallel_analysis_with_more_variables_than_specimens(rng):
    """The count is that of the axes, and permuted copies are those of the naive way."""
    X = rng.normal(size=(6, 20))
    expected = parallel_analysis(X, repeats=1, quantile=0.5, random_state=1)
    centred = X - X.mean(axis=0)
    shuffled = np.random.default_rng(1).permuted(centred, axis=0)
    singular = np.linalg.svd(shuffled, compute_uv=False)[:5]
    np.testing.assert_allclose(expected, singular**2 / 5)


def test_unrelated_variables_keep_one_axis(rng):
    X = rng.normal(size=(50, 8))
    assert ShapeSpace(axes="parallel", random_state=0).fit(X).n_axes_ <= 2
    assert ShapeSpace(axes="broken_stick").fit(np.linalg.qr(X - X.mean(axis=0))[0]).n_axes_ == 1


def test_never_more_axes_than_asked_for():
    X, _ = planted([1.0] * 6)
    assert ShapeSpace(axes="share", share=1, most=4).fit(X).n_axes_ == 4


def test_more_variables_than_specimens(rng):
    space = ShapeSpace(axes="parallel", random_state=0).fit(rng.normal(size=(5, 40)))
    assert len(space.variance_) == 4
    assert space.transform(rng.normal(size=(2, 40))).shape == (2, 4)


@pytest.mark.parametrize(
    ("specimens", "groups", "most", "axes"),
    [(40, 4, 10, 10), (31, 4, 10, 9), (10, 4, 10, 2), (5, 4, 10, 1), (4, 4, 10, 1), (90, 2, 3, 3)],
)
def test_axes_that_a_sample_can_carry(specimens, groups, most, axes):
    assert most_axes(specimens, groups, most) == axes


def test_two_specimens_have_one_axis():
    space = ShapeSpace(axes="parallel", random_state=0).fit([[0.0, 0, 3], [0, 4, 0]])
    np.testing.assert_allclose(space.variance_, [12.5])
    np.testing.assert_allclose(space.components_, [[0, 0.8, -0.6]], atol=1e-15)


def test_a_variable_that_never_varies_has_no_loading(rng):
    X = rng.normal(size=(20, 4))
    X[:, 2] = 0.1
    np.testing.assert_allclose(ShapeSpace(axes="share").fit(X).components_[:, 2], 0, atol=1e-15)


@pytest.mark.parametrize("value", [0.0, 0.1, 1e6 / 3])
@pytest.mark.parametrize("n", [2, 7])
@pytest.mark.parametrize("rule", ["parallel", "broken_stick", "share"])
def test_identical_specimens_are_refused(value, n, rule):
    with pytest.raises(InferenceError, match="shapes do not vary"):
        ShapeSpace(axes=rule).fit(np.full((n, 4), value))


def test_refusals(rng):
    X = rng.normal(size=(6, 3))
    with pytest.raises(InferenceError, match=r"`axes` must be one of .*, but is 'scree'"):
        ShapeSpace(axes="scree").fit(X)
    with pytest.raises(InferenceError, match="`X` must hold at least 2 specimens, but holds 1"):
        ShapeSpace().fit(X[:1])
    with pytest.raises(InferenceError, match="`X` must have 3 variables, but has 2"):
        ShapeSpace(axes="share").fit(X).transform(X[:, :2])


@pytest.mark.parametrize("method", ["transform", "inverse_transform"])
def test_use_before_fit(method):
    with pytest.raises(NotFittedError, match="not fitted yet"):
        getattr(ShapeSpace(), method)([[0.0]])


def test_clone_and_parameters(rng):
    space = ShapeSpace(axes="share", share=0.8, most=3, random_state=4).fit(rng.normal(size=(9, 3)))
    copy = clone(space)
    assert copy.get_params() == {"axes": "share", "share": 0.8, "most": 3, "random_state": 4}
    assert not hasattr(copy, "mean_")


def test_same_seed_same_axes(rng):
    X = rng.normal(size=(20, 6))
    first, second = (
        ShapeSpace(axes="parallel", random_state=8).fit(X).threshold_ for _ in range(2)
    )
    np.testing.assert_array_equal(first, second)
