"""Curves: resampling, projecting, tangents, direction."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morpho.shape.checks import ShapeError
from morpho.shape.semilandmarks.curves import (
    curve_tangents,
    project_to_polyline,
    resample,
)


def half_circle(m):
    angle = np.linspace(0, np.pi, m)
    return np.column_stack([np.cos(angle), np.sin(angle), np.zeros(m)])


def test_points_of_a_half_circle_lie_at_equal_angles():
    """On a circle equal arcs are equal angles."""
    points = resample(half_circle(20_001), 5)
    np.testing.assert_allclose(
        np.arctan2(points[:, 1], points[:, 0]), np.arange(1, 6) * np.pi / 6, atol=1e-6
    )


def test_equal_steps_along_a_bent_line():
    line = np.array([[0, 0], [3, 0], [3, 3]])
    np.testing.assert_allclose(resample(line, 5), [[1, 0], [2, 0], [3, 0], [3, 1], [3, 2]])


@given(st.lists(st.integers(0, 11), max_size=20), st.integers(1, 9))
def test_repeated_points_change_nothing(repeats, n):
    line = np.random.default_rng(0).normal(size=(12, 3))
    order = np.sort(np.concatenate([np.arange(12), np.array(repeats, dtype=int)]))
    np.testing.assert_allclose(resample(line[order], n), resample(line, n), atol=1e-12)


def test_a_turned_curve_gives_the_points_in_turn():
    line = np.random.default_rng(0).normal(size=(12, 3))
    np.testing.assert_allclose(resample(line[::-1], 7), resample(line, 7)[::-1], atol=1e-12)


def test_resampling_a_fine_sampling_changes_nothing():
    line = half_circle(11)
    np.testing.assert_allclose(resample(line, 9), line[1:-1], atol=1e-12)


@pytest.mark.parametrize("line", [[[1, 2, 3]], [[1, 2, 3]] * 4, np.empty((0, 3))])
@pytest.mark.parametrize(
    "use", [lambda c: resample(c, 3), lambda c: project_to_polyline([[0, 0, 0]], c)]
)
def test_a_curve_of_one_place_is_refused(line, use):
    with pytest.raises(ShapeError, match=f"has {len(line)} points, but only .* different places"):
        use(line)


def test_other_bad_curves_are_refused():
    line = half_circle(6)
    with pytest.raises(ValueError, match="`n` must be 1 or more, but is 0"):
        resample(line, 0)
    with pytest.raises(ShapeError, match=r"shape \(n_points, n_dimensions\)"):
        resample(line.ravel(), 2)
    line[2, 0] = np.nan
    with pytest.raises(ShapeError, match=r"Points \[2\] .* are missing"):
        resample(line, 2)
    with pytest.raises(ShapeError, match=r"shape \(n, 3\) like the curve"):
        project_to_polyline([[0, 0]], half_circle(6))
    with pytest.raises(ShapeError, match=r"`points` \[1\] .* missing"):
        project_to_polyline([[0, 0, 0], [0, np.nan, 0]], half_circle(6))


def test_projection_against_dense_sampling():
    rng = np.random.default_rng(1)
    line, points = rng.normal(size=(15, 3)), 2 * rng.normal(size=(40, 3))
    share = np.linspace(0, 1, 4001)[:, None]
    dense = np.concatenate([a + share * (b - a) for a, b in pairwise(line)])
    expected = np.linalg.norm(points[:, None] - dense, axis=2).min(axis=1)
    on, distance = project_to_polyline(points, line)
    np.testing.assert_allclose(distance, expected, atol=1e-5)
    assert (distance <= expected + 1e-12).all()
    np.testing.assert_allclose(np.linalg.norm(points - on, axis=1), distance)
    again, rest = project_to_polyline(on, line)
    np.testing.assert_allclose(again, on, atol=1e-12)
    np.testing.assert_allclose(rest, 0, atol=1e-12)


def test_points_beyond_the_ends_go_to_the_ends():
    on, distance = project_to_polyline([[-2, 1], [7, 0]], [[0, 0], [1, 0], [1, 0], [4, 0]])
    np.testing.assert_array_equal(on, [[0, 0], [4, 0]])
    np.testing.assert_allclose(distance, [np.sqrt(5), 3])


def test_many_points_in_blocks_are_as_points_alone():
    rng = np.random.default_rng(1)
    line, points = rng.normal(size=(600, 3)), rng.normal(size=(2000, 3))
    on, _ = project_to_polyline(points, line)
    some = slice(None, None, 190)
    np.testing.assert_array_equal(on[some], project_to_polyline(points[some], line)[0])


def test_tangents_of_a_circle_are_square_to_its_radius():
    """Chords between neighbours at equal angles are exactly parallel to the tangent."""
    circle = half_circle(15)
    tangents = curve_tangents(circle)
    np.testing.assert_allclose((tangents * circle[1:-1]).sum(axis=1), 0, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(tangents, axis=1), 1)
    assert (tangents[:, 0] < 0).all()
    both = curve_tangents(np.stack([circle, 2 * circle]))
    np.testing.assert_allclose(both, [tangents, tangents], atol=1e-12)


def test_tangents_at_a_sharp_turn_and_at_a_heap():
    np.testing.assert_array_equal(curve_tangents([[0, 0], [1, 0], [0, 0]]), [[-1, 0]])
    with pytest.raises(ShapeError, match=r"Point 2 of a curve .* has no direction there"):
        curve_tangents([[0, 0], [1, 0], [1, 0], [1, 0], [2, 0]])
    with pytest.raises(ShapeError, match="at least one point between"):
        curve_tangents([[0, 0], [1, 0]])
