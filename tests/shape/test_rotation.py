"""Best rotations: Newton's iteration against singular values, and what is flat or mirrored."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.shape.rotation import _by_svd, best_rotations


def assert_rotations(R):
    d = R.shape[-1]
    np.testing.assert_allclose(
        R.swapaxes(1, 2) @ R, np.broadcast_to(np.eye(d), R.shape), atol=1e-13
    )
    np.testing.assert_allclose(np.linalg.det(R), 1, atol=1e-13)


def test_newton_and_singular_values_agree():
    rng = np.random.default_rng(0)
    cross = rng.normal(size=(500, 3, 3)) * 10.0 ** rng.uniform(-6, 6, size=(500, 1, 1))
    R = best_rotations(cross)
    assert_rotations(R)
    # Two singular values close together leave the rotation of a mirror image open.
    mirrored = np.linalg.det(cross) < 0
    assert 100 < mirrored.sum() < 400
    np.testing.assert_allclose(R, _by_svd(cross), atol=1e-11)


def test_known_rotations_are_found():
    turns = Rotation.random(50, random_state=1).as_matrix()
    X = np.random.default_rng(1).normal(size=(50, 8, 3))
    target = X @ turns
    np.testing.assert_allclose(best_rotations(X.transpose(0, 2, 1) @ target), turns, atol=1e-12)


def test_no_rotation_tried_at_random_does_better():
    rng = np.random.default_rng(2)
    X, M = rng.normal(size=(6, 3)), rng.normal(size=(6, 3))
    for target in (M, M * [1, 1, -1]):
        best = np.linalg.norm(X @ best_rotations((X.T @ target)[None])[0] - target)
        tried = Rotation.random(2000, random_state=3).as_matrix()
        assert np.linalg.norm(X @ tried - target, axis=(1, 2)).min() >= best


def test_flat_bones_get_proper_rotations():
    """All landmarks in a plane: the determinant of the products is zero."""
    rng = np.random.default_rng(3)
    X = rng.normal(size=(20, 6, 3)) * [1, 1, 0]
    M = rng.normal(size=(6, 3)) * [1, 1, 0]
    assert_rotations(best_rotations(X.transpose(0, 2, 1) @ M))


def test_landmarks_on_a_line_get_proper_rotations():
    line = np.linspace(-1, 1, 5)[:, None] * np.array([1.0, 2.0, 3.0])
    R = best_rotations((line.T @ line[:, [1, 2, 0]])[None])
    assert_rotations(R)
    np.testing.assert_allclose(line @ R[0], line[:, [1, 2, 0]], atol=1e-12)


def test_good_and_flat_in_one_batch_keep_their_places():
    rng = np.random.default_rng(4)
    cross = rng.normal(size=(9, 3, 3))
    cross[[2, 5], :, 2] = 0
    together = best_rotations(cross)
    alone = np.concatenate([best_rotations(c[None]) for c in cross])
    np.testing.assert_allclose(together, alone, atol=1e-12)


@pytest.mark.parametrize("d", [2, 3])
def test_products_of_zero_give_a_rotation(d):
    assert_rotations(best_rotations(np.zeros((2, d, d))))


def test_two_dimensions_against_the_angle():
    """In the plane the best angle is known: atan2 of the antisymmetric part over the trace."""
    cross = np.random.default_rng(5).normal(size=(100, 2, 2))
    R = best_rotations(cross)
    assert_rotations(R)
    angle = np.arctan2(cross[:, 0, 1] - cross[:, 1, 0], cross[:, 0, 0] + cross[:, 1, 1])
    np.testing.assert_allclose(R[:, 0, 0], np.cos(angle), atol=1e-12)
    np.testing.assert_allclose(R[:, 0, 1], np.sin(angle), atol=1e-12)


def test_the_products_given_are_not_changed():
    cross = np.random.default_rng(6).normal(size=(4, 3, 3))
    before = cross.copy()
    best_rotations(cross)
    np.testing.assert_array_equal(cross, before)


@pytest.mark.parametrize("unit", [1e-70, 1e70])
def test_no_unit_is_too_small_or_too_large(unit):
    """Cofactors of the raw numbers would leave the range of what a computer can hold."""
    turns = Rotation.random(5, random_state=2).as_matrix()
    X = np.random.default_rng(3).normal(size=(5, 8, 3))
    cross = X.transpose(0, 2, 1) @ (X @ turns)
    np.testing.assert_allclose(best_rotations(cross * unit), turns, atol=1e-12)
    # beside a mirror image, those that are none take another way to the same
    cross[0] *= -1
    np.testing.assert_allclose(best_rotations(cross * unit)[1:], turns[1:], atol=1e-12)
