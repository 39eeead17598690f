"""Frames: proper rotations, pointing where they say."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.orientation import anatomical_frame, principal_frame


def centred(k, d, seed):
    X = np.random.default_rng(seed).normal(size=(k, d)) * [5, 2, 1][:d]
    return X - X.mean(axis=0)


@pytest.mark.parametrize("d", [2, 3])
@pytest.mark.parametrize("seed", range(8))
def test_principal_frames_are_rotations_along_the_spread(d, seed):
    mean = centred(9, d, seed)
    frame = principal_frame(mean)
    np.testing.assert_allclose(frame.T @ frame, np.eye(d), atol=1e-14)
    assert np.linalg.det(frame) == pytest.approx(1)
    turned = mean @ frame
    spread = (turned**2).sum(axis=0)
    np.testing.assert_allclose(turned.T @ turned, np.diag(spread), atol=1e-12)
    assert (np.diff(spread) <= 0).all()
    # the furthest landmark lies on the positive side of all axes but the last
    furthest = turned[np.abs(turned).argmax(axis=0), np.arange(d)]
    assert (furthest[:-1] > 0).all()


def test_a_principal_frame_does_not_depend_on_the_pose(turn):
    mean = centred(9, 3, 1)
    there = mean @ turn
    np.testing.assert_allclose(
        there @ principal_frame(there), mean @ principal_frame(mean), atol=1e-12
    )


def test_a_triangle_has_a_principal_frame():
    """As many landmarks as dimensions: the last axis has no spread, and is set all the same."""
    frame = principal_frame(centred(3, 3, 2))
    assert np.linalg.det(frame) == pytest.approx(1)


def test_anatomical_axes_point_where_they_say():
    x, y = np.array([0.0, 0.0, 2.0]), np.array([3.0, 0.0, 1.0])
    frame = anatomical_frame(centred(5, 3, 3), x, y)
    np.testing.assert_allclose(frame.T @ frame, np.eye(3), atol=1e-15)
    assert np.linalg.det(frame) == pytest.approx(1)
    np.testing.assert_allclose(x @ frame, [2, 0, 0], atol=1e-15)
    # the second keeps its part along x, has a positive part along y, and none along z
    np.testing.assert_allclose(y @ frame, [1, 3, 0], atol=1e-15)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([1, 0, 0], [2, 0, 0]),
        ([1, 0, 0], [-1, 0, 0]),
        ([1, 2, 3], [1.0, 2.0, 3.0 + 1e-9]),
        ([0, 0, 0], [0, 1, 0]),
        ([1, 0, 0], [0, 0, 0]),
    ],
)
def test_directions_that_set_no_frame_are_refused(x, y):
    with pytest.raises(ValueError, match="parallel, or one of them has no length"):
        anatomical_frame(centred(5, 3, 3), x, y)


def test_anatomical_axes_of_flat_configurations_are_refused():
    with pytest.raises(ValueError, match="need configurations in 3 dimensions"):
        anatomical_frame(centred(5, 2, 3), [1, 0, 0], [0, 1, 0])
