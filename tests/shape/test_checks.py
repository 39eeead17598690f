"""Every refusal of configurations, by its words."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from morpho.shape.checks import ShapeError, check_configurations


def bones(n=3, k=4, d=3):
    return np.random.default_rng(0).normal(size=(n, k, d))


def test_good_configurations_come_back_as_floats():
    result = check_configurations([[[0, 0], [1, 0], [0, 1]]])
    assert result.dtype == float
    assert result.shape == (1, 3, 2)


def test_good_configurations_are_not_copied_nor_changed():
    X = bones()
    before = X.copy()
    assert check_configurations(X) is X
    np.testing.assert_array_equal(X, before)


@pytest.mark.parametrize(
    ("X", "wanted", "message"),
    [
        (bones()[0], {}, r"must have shape \(n_specimens.*has shape \(4, 3\)"),
        (bones(0), {}, "at least 1 specimens, but holds 0"),
        (bones(2), {"least": 3}, "at least 3 specimens, but holds 2"),
        (bones(k=2), {}, "at least 3 landmarks, but has 2"),
        (bones(d=1), {}, "2 or 3 dimensions, but has 1"),
        (bones(d=4), {}, "2 or 3 dimensions, but has 4"),
        (bones(), {"n_landmarks": 5}, "must have 5 landmarks, but has 4"),
        (bones(d=2), {"n_dimensions": 3}, "must have 3 dimensions, but has 2"),
    ],
)
def test_shapes_of_arrays_that_are_refused(X, wanted, message):
    with pytest.raises(ShapeError, match=message):
        check_configurations(X, **wanted)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_missing_and_infinite_coordinates_name_their_specimens(value):
    X = bones(5)
    X[1, 2, 0] = X[4, 0, 1] = value
    with pytest.raises(ShapeError, match=r"missing or infinite coordinates in specimens \[1, 4\]"):
        check_configurations(X)


def test_infinities_of_both_signs_are_refused_without_a_warning():
    X = bones()
    X[0, 0, 0], X[1, 0, 0] = np.inf, -np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(ShapeError, match=r"in specimens \[0, 1\]"):
            check_configurations(X)


def test_finite_coordinates_whose_sum_overflows_are_not_called_infinite():
    X = bones()
    X[0, :, 0] = 1e308
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_configurations(X)


def test_long_lists_of_bad_specimens_are_cut():
    X = np.full((30, 4, 3), np.nan)
    with pytest.raises(ShapeError, match=r"\[0, 1, 2, 3, 4, 5, 6, 7, 8, 9\]"):
        check_configurations(X)


def test_a_bone_whose_landmarks_all_coincide_is_refused():
    X = bones(4)
    X[2] = [0.1, 0.2, 0.3]
    with pytest.raises(ShapeError, match=r"all landmarks at one place in specimens \[2\]"):
        check_configurations(X)


def test_two_landmarks_at_one_place_are_allowed():
    X = bones(4)
    X[2, 1] = X[2, 0]
    assert check_configurations(X) is X


def test_the_argument_is_called_by_its_name():
    with pytest.raises(ShapeError, match="`queries` must have"):
        check_configurations(bones()[0], name="queries")


def test_the_error_is_a_value_error():
    assert issubclass(ShapeError, ValueError)
