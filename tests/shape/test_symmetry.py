"""Mirror images, sides, and the symmetric and asymmetric parts of bones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import centroid_size, procrustes_distance
from morpho.shape.symmetry.sides import (
    asymmetric_component,
    check_midline,
    commoner_side,
    distance_from_midline,
    exchange_sides,
    fill_from_other_side,
    mirror,
    symmetric_component,
)


@pytest.mark.parametrize("shape", [(5, 3), (4, 5, 3), (2, 4, 5, 2)])
def test_mirroring_twice_changes_nothing(shape):
    X = np.random.default_rng(0).normal(size=shape)
    before = X.copy()
    once = mirror(X)
    np.testing.assert_array_equal(mirror(once), X)
    np.testing.assert_array_equal(X, before)
    np.testing.assert_array_equal(once[..., :-1], X[..., :-1])
    np.testing.assert_array_equal(once[..., -1], -X[..., -1])


def test_mirroring_keeps_gaps():
    X = np.ones((3, 3))
    X[1] = np.nan
    assert np.isnan(mirror(X)[1]).all()


@pytest.mark.parametrize(
    ("sides", "commoner"),
    [
        (["left", "left", "right"], "left"),
        (["right", "", "right", "left"], "right"),
        (["left", "right"], "left"),
        (["", ""], "left"),
        ([], "left"),
    ],
)
def test_commoner_side(sides, commoner):
    assert commoner_side(sides) == commoner
    assert commoner_side(iter(sides)) == commoner


# A bone with a plane of symmetry: pairs (0, 1), (2, 3), (4, 5) and 6, 7, 8 on the midline.
PARTNERS = np.array([1, 0, 3, 2, 5, 4, 6, 7, 8])
FLIP = np.array([1.0, 1.0, -1.0])


def symmetric_bones(n=4, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(n, 6, 3))
    X = np.empty((n, 9, 3))
    X[:, [0, 2, 4]] = half[:, :3]
    X[:, [1, 3, 5]] = half[:, :3] * FLIP
    X[:, 6:] = half[:, 3:] * [1, 1, 0]
    X += noise * rng.normal(size=X.shape)
    turns = Rotation.random(n, random_state=seed).as_matrix()
    return 10 * X @ turns + rng.normal(scale=50, size=(n, 1, 3))


def test_a_symmetric_bone_is_its_own_symmetric_part():
    X = symmetric_bones()
    np.testing.assert_allclose(symmetric_component(X, PARTNERS), X, atol=1e-12)
    np.testing.assert_allclose(asymmetric_component(X, PARTNERS), 0, atol=1e-12)


def test_parts_are_those_of_a_plain_loop():
    """Each mirror image fitted by the singular value decomposition, one bone at a time."""
    X = symmetric_bones(noise=0.1)
    S, A = symmetric_component(X, PARTNERS), asymmetric_component(X, PARTNERS)
    for x, s, a in zip(X, S, A, strict=True):
        centre = x.mean(axis=0)
        z = x - centre
        image = (z * FLIP)[PARTNERS]
        U, _, Vt = np.linalg.svd(image.T @ z)
        turn = U @ np.diag([1, 1, np.linalg.det(U @ Vt)]) @ Vt
        fitted = image @ turn
        np.testing.assert_allclose(a, (z - fitted) / 2, atol=1e-10)
        mean = (z + fitted) / 2
        expected = mean * np.linalg.norm(z) / np.linalg.norm(mean) + centre
        np.testing.assert_allclose(s, expected, atol=1e-10)


def test_the_symmetric_part_is_symmetric_and_keeps_place_and_size():
    X = symmetric_bones(noise=0.1)
    S = symmetric_component(X, PARTNERS)
    np.testing.assert_allclose(asymmetric_component(S, PARTNERS), 0, atol=1e-12)
    np.testing.assert_allclose(S.mean(axis=1), X.mean(axis=1))
    np.testing.assert_allclose(centroid_size(S), centroid_size(X))


def test_relabelling_a_symmetric_bone_keeps_its_shape():
    X = symmetric_bones()
    image = exchange_sides(X, PARTNERS)
    np.testing.assert_allclose(procrustes_distance(X, image), 0, atol=1e-7)
    assert (procrustes_distance(X, mirror(X)) > 0.1).all()


def test_missing_landmarks_come_from_the_other_side():
    X = symmetric_bones()
    broken = X.copy()
    broken[0, 0] = np.nan  # partner there
    broken[1, [2, 3]] = np.nan  # both lost
    broken[2, 7] = np.nan  # on the midline
    S = symmetric_component(broken, PARTNERS)
    np.testing.assert_allclose(S[0], X[0], atol=1e-12)
    assert np.argwhere(np.isnan(S).any(axis=2)).tolist() == [[1, 2], [1, 3], [2, 7]]
    filled = fill_from_other_side(broken, PARTNERS)
    np.testing.assert_allclose(filled[0, 0], X[0, 0], atol=1e-12)
    np.testing.assert_array_equal(filled[0, 1:], broken[0, 1:])
    np.testing.assert_array_equal(filled[1:], broken[1:])
    assert np.isnan(broken[0, 0]).all()


def test_filling_leaves_what_is_there_though_it_is_not_symmetric():
    X = symmetric_bones(noise=0.1)
    broken = X.copy()
    broken[:, 4] = np.nan
    filled = fill_from_other_side(broken, PARTNERS)
    np.testing.assert_array_equal(np.delete(filled, 4, axis=1), np.delete(X, 4, axis=1))
    assert np.linalg.norm(filled[:, 4] - X[:, 4], axis=1).max() < 10


def test_too_little_to_find_the_plane():
    X = symmetric_bones()
    X[1, 1:7] = np.nan  # landmark 0 and two of the midline
    with pytest.raises(ShapeError, match=r"Specimens \[1\] .* plane of symmetry cannot be found"):
        symmetric_component(X, PARTNERS)
    # nothing is filled where the plane is not known
    np.testing.assert_array_equal(fill_from_other_side(X, PARTNERS), X)


def test_distance_from_the_midline_is_not_drawn_by_the_landmark_itself():
    X = symmetric_bones(n=3)
    normal = np.cross(X[1, 7] - X[1, 6], X[1, 8] - X[1, 6])
    X[1, 7] += 2.5 * normal / np.linalg.norm(normal)
    far = distance_from_midline(X, PARTNERS)
    assert np.isnan(far[:, :6]).all()
    np.testing.assert_allclose(far[[0, 2], 6:], 0, atol=1e-10)
    assert far[1, 7] == pytest.approx(2.5)


def test_a_landmark_that_is_not_of_the_midline_is_named():
    X = symmetric_bones(n=5)
    check_midline(X, PARTNERS)
    single = X.copy()
    single[0, 8] += 30  # a slip in one specimen is not the scheme's fault
    check_midline(single, PARTNERS)
    wrong = np.array([0, 1, 3, 2, 5, 4, 6, 7, 8])  # a pair listed as midline
    with pytest.raises(ShapeError, match="wing_left is said to lie on the midline"):
        check_midline(X, wrong, ["wing_left", "wing_right", *"abcdefg"])
    check_midline(X[:, :6], PARTNERS[:6])  # no midline: nothing to say


def test_two_dimensions():
    X = np.array([[[0.0, 0], [2, 1], [2, -1], [5, 0], [3, 3], [3, -3]]])
    partners = [0, 2, 1, 3, 5, 4]
    np.testing.assert_allclose(symmetric_component(X, partners), X, atol=1e-12)


def test_infinite_coordinates_and_wrong_shapes_are_refused():
    X = symmetric_bones()
    with pytest.raises(ShapeError, match="must have shape"):
        symmetric_component(X[0], PARTNERS)
    X[0, 0, 0] = np.inf
    with pytest.raises(ShapeError, match="infinite"):
        symmetric_component(X, PARTNERS)
