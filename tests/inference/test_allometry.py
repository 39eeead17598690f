"""The common slope: planted values, poor data, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.inference.models.allometry import CommonSlope, regression_score
from morpho.inference.models.design import InferenceError


@pytest.fixture
def grown(rng):
    """Three taxa of unequal number and mean size on parallel lines, without scatter."""
    groups = np.repeat(["a", "b", "c"], [4, 7, 2])
    size = rng.normal(size=13) + np.repeat([0.0, 1.0, 5.0], [4, 7, 2])
    means = {"a": [0.0, 0, 0], "b": [1.0, 2, 3], "c": [-2.0, 0, 1]}
    slope = np.array([0.5, -1.0, 0.25])
    return np.array([means[g] for g in groups]) + np.outer(size, slope), size, groups, slope


def test_a_planted_slope_is_found(grown):
    Y, size, groups, slope = grown
    model = CommonSlope().fit(Y, size, groups)
    np.testing.assert_allclose(model.slope_, slope, atol=1e-13)
    assert model.mean_size_ == pytest.approx(size.mean())
    assert model.size_range_ == (size.min(), size.max())
    for g in "abc":
        of = groups == g
        np.testing.assert_allclose(model.predict(size[of], g), Y[of], atol=1e-12)


def test_removed_shapes_lie_at_the_mean_size(grown):
    Y, size, groups, _ = grown
    model = CommonSlope().fit(Y, size, groups)
    flat = model.remove(Y, size)
    for i, g in enumerate(model.groups_):
        np.testing.assert_allclose(
            flat[groups == g],
            model.group_means_[[i]].repeat((groups == g).sum(), axis=0),
            atol=1e-12,
        )


def test_against_least_squares(rng):
    groups = np.array(list("aabbbbcccc"))
    size, Y = rng.normal(size=10), rng.normal(size=(10, 4))
    X = np.column_stack([groups[:, None] == np.array(list("abc")), size]).astype(float)
    expected = np.linalg.lstsq(X, Y, rcond=None)[0]
    model = CommonSlope().fit(Y, size, groups)
    np.testing.assert_allclose(model.slope_, expected[3], atol=1e-12)
    np.testing.assert_allclose(model.group_means_, expected[:3] + size.mean() * expected[3])


def test_a_taxon_of_one_has_no_say_in_the_slope(grown):
    Y, size, groups, slope = grown
    Y = np.vstack([Y, [50.0, 50, 50]])
    model = CommonSlope().fit(Y, np.append(size, 3.0), np.append(groups, "d"))
    np.testing.assert_allclose(model.slope_, slope, atol=1e-12)
    np.testing.assert_allclose(model.predict([3.0], "d"), [[50, 50, 50]])


def test_one_taxon_only(rng):
    size = np.arange(6.0)
    model = CommonSlope().fit(np.outer(size, [2.0, 0.0]) + 1, size, ["a"] * 6)
    np.testing.assert_allclose(model.slope_, [2, 0], atol=1e-13)


@pytest.mark.parametrize("groups", [["a"] * 6, ["a"] * 3 + ["b"] * 3])
@pytest.mark.parametrize("value", [0.0, 3.3])
def test_constant_sizes_are_refused(rng, groups, value):
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        CommonSlope().fit(rng.normal(size=(6, 2)), np.full(6, value), groups)


def test_sizes_that_differ_between_taxa_only_are_refused(rng):
    size = np.repeat([1.1, 2.2], 3)
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        CommonSlope().fit(rng.normal(size=(6, 2)), size, list("aaabbb"))


def test_refusals(rng):
    Y = rng.normal(size=(4, 2))
    with pytest.raises(
        InferenceError, match=r"`size` must have shape \(4,\), but has shape \(3,\)"
    ):
        CommonSlope().fit(Y, [1, 2, 3], list("aabb"))
    with pytest.raises(InferenceError, match="`size` holds missing or infinite"):
        CommonSlope().fit(Y, [1, 2, 3, np.nan], list("aabb"))
    with pytest.raises(InferenceError, match=r"labels of shape \(3,\) for 4 specimens"):
        CommonSlope().fit(Y, [1, 2, 3, 4], list("aab"))
    model = CommonSlope().fit(Y, [1, 2, 3, 4], list("aabb"))
    with pytest.raises(InferenceError, match=r"No group 'z'; there are \['a', 'b'\]"):
        model.predict([1.0], "z")
    with pytest.raises(InferenceError, match=r"`size` must have shape \(4,\)"):
        model.remove(Y, [1.0])


@pytest.mark.parametrize(
    "use",
    [
        lambda m: m.remove(np.zeros((1, 2)), [1.0]),
        lambda m: m.predict([1.0], "a"),
        lambda m: m.extrapolates([1.0]),
    ],
)
def test_use_before_fit(use):
    with pytest.raises(NotFittedError, match="not fitted yet"):
        use(CommonSlope())


def test_extrapolation_is_beyond_the_sizes_of_the_fit(rng):
    model = CommonSlope().fit(rng.normal(size=(4, 2)), [1.0, 2, 3, 4], list("aabb"))
    assert model.extrapolates([0.9, 1.0, 4.0, 4.1]).tolist() == [True, False, False, True]


def test_clone():
    assert clone(CommonSlope()).get_params() == {}


def test_regression_scores_are_lengths_along_the_slope():
    np.testing.assert_allclose(regression_score([[3.0, 4.0], [4.0, -3.0]], [6.0, 8.0]), [5, 0])


def test_no_slope_no_scores():
    with pytest.raises(InferenceError, match="slope has no length"):
        regression_score([[1.0, 2.0]], [0.0, 0.0])
