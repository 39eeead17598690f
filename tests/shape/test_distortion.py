"""Planted distortion is taken out as far as symmetry shows it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import procrustes_distance
from morpho.shape.symmetry.distortion import symmetrize

PARTNERS = np.array([1, 0, 3, 2, 5, 4, 6, 7, 8])
FLIP = np.array([1.0, 1.0, -1.0])
SHEARS = [
    [[1, 0, 0], [0.3, 1, 0.2], [0, 0.1, 1]],
    [[1, 0, 0.15], [0, 1, 0], [0, 0, 1]],
    [[1.1, 0.2, -0.1], [0, 0.9, 0.3], [0.2, 0.1, 0.8]],
]


def symmetric_bone(seed=0, k=3):
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(k, 3)) + np.array([0, 0, 1.5])
    X = np.empty((9, 3))
    X[[0, 2, 4]], X[[1, 3, 5]] = half, half * FLIP
    X[6:] = rng.normal(size=(3, 3)) * [1, 1, 0]
    return 10 * X


@pytest.mark.parametrize("shear", SHEARS)
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_shear_is_removed_up_to_what_symmetry_cannot_see(shear, seed):
    """What is left between the true bone and the result maps symmetric bones to symmetric ones.

    With the plane of symmetry square to z, such a map has no terms between z and the others
    once both bones lie in their planes.
    """
    bone = symmetric_bone(seed)
    turn = Rotation.random(random_state=seed).as_matrix()
    found = symmetrize(bone @ np.array(shear) @ turn + 40, PARTNERS)
    assert found.asymmetry_before > 0.01
    assert found.asymmetry_sheared < 1e-9
    assert found.share_removed == pytest.approx(1)
    # pair lines are parallel, and square to the midline's plane
    result = found.configuration
    joins = result[[0, 2, 4]] - result[[1, 3, 5]]
    normal = joins[0] / np.linalg.norm(joins[0])
    np.testing.assert_allclose(np.abs(joins @ normal), np.linalg.norm(joins, axis=1))
    middles = (result[[0, 2, 4]] + result[[1, 3, 5]]) / 2
    np.testing.assert_allclose(np.ptp(np.vstack([middles, result[6:]]) @ normal), 0, atol=1e-9)
    # and the true bone comes to it by an affine map that keeps the plane and its normal
    frame = np.linalg.svd(normal[None])[2][::-1].T
    mine = (result - result.mean(axis=0)) @ frame
    true = bone - bone.mean(axis=0)
    L, rest, *_ = np.linalg.lstsq(true, mine, rcond=None)
    np.testing.assert_allclose(rest, 0, atol=1e-12)
    np.testing.assert_allclose(L[2, :2], 0, atol=1e-9)
    np.testing.assert_allclose(L[:2, 2], 0, atol=1e-9)


def test_a_stretch_between_plane_and_normal_is_undone_wholly():
    """The mildest change is the true one where the bone was stretched obliquely to its plane."""
    bone = symmetric_bone()
    t, c = 1.1, np.array([0, 1, 1]) / np.sqrt(2)
    s = np.array([0, 1, -1]) / np.sqrt(2)
    stretch = np.eye(3) + (t - 1) * np.outer(c, c) + (1 / t - 1) * np.outer(s, s)
    found = symmetrize(bone @ stretch, PARTNERS)
    np.testing.assert_allclose(found.shear, np.linalg.inv(stretch), atol=1e-9)
    assert found.strength == pytest.approx(t**2 - 1)
    assert procrustes_distance(found.configuration[None], bone[None])[0] < 1e-7
    assert procrustes_distance((bone @ stretch)[None], bone[None])[0] == pytest.approx(
        found.distance, rel=1e-6
    )


def test_strength_is_about_the_shear():
    bone = symmetric_bone()
    shear = np.eye(3)
    shear[0, 2] = 0.03
    assert symmetrize(bone @ shear, PARTNERS).strength == pytest.approx(0.03, rel=0.02)


def test_a_symmetric_bone_is_left_alone():
    bone = symmetric_bone()
    found = symmetrize(bone + 7, PARTNERS)
    np.testing.assert_allclose(found.configuration, bone + 7, atol=1e-10)
    np.testing.assert_allclose(found.shear, np.eye(3), atol=1e-10)
    assert found.strength == pytest.approx(0, abs=1e-9)
    assert found.distance == pytest.approx(0, abs=1e-6)
    assert found.share_removed == 0


def test_the_result_does_not_depend_on_pose_and_scale():
    rng = np.random.default_rng(4)
    bone = symmetric_bone() @ np.array(SHEARS[0]) + 0.3 * rng.normal(size=(9, 3))
    turn = Rotation.random(random_state=3).as_matrix()
    one, two = symmetrize(bone, PARTNERS), symmetrize(3 * bone @ turn - 20, PARTNERS)
    np.testing.assert_allclose(two.configuration, 3 * one.configuration @ turn - 20, atol=1e-8)
    for name in ("strength", "asymmetry_before", "asymmetry_sheared", "share_removed"):
        assert getattr(one, name) == pytest.approx(getattr(two, name))


def test_noise_is_averaged_and_told_apart_from_shear():
    rng = np.random.default_rng(5)
    bone = symmetric_bone() + 0.1 * rng.normal(size=(9, 3))
    sheared = symmetrize(bone @ np.array(SHEARS[1]), PARTNERS)
    plain = symmetrize(bone, PARTNERS)
    # a share of squares
    left_over = (sheared.asymmetry_sheared / sheared.asymmetry_before) ** 2
    assert sheared.share_removed == pytest.approx(1 - left_over)
    assert sheared.share_removed > 0.8
    assert plain.share_removed < 0.6
    assert plain.strength < 0.02
    assert 0 < sheared.asymmetry_sheared < 0.02
    assert np.linalg.det(sheared.shear) == pytest.approx(1)
    np.testing.assert_allclose(sheared.shear, sheared.shear.T, atol=1e-12)


def test_missing_landmarks_are_set_by_the_other_side():
    bone = symmetric_bone()
    broken = bone @ np.array(SHEARS[0])
    broken[0] = np.nan
    broken[7] = np.nan
    whole = symmetrize(bone @ np.array(SHEARS[0]), PARTNERS)
    found = symmetrize(broken, PARTNERS)
    assert np.flatnonzero(np.isnan(found.configuration).any(axis=1)).tolist() == [7]
    there = np.arange(9) != 7
    assert (
        procrustes_distance(found.configuration[there][None], whole.configuration[there][None])[0]
        < 1e-6
    )


def test_what_is_refused():
    bone = symmetric_bone()
    with pytest.raises(ShapeError, match=r"Only 2 landmarks .* Leave the bone as it is"):
        symmetrize(np.where(np.arange(9)[:, None] < 2, bone, np.nan), PARTNERS)
    with pytest.raises(ShapeError, match="near one plane"):
        # only the midline is left
        symmetrize(np.where(np.arange(9)[:, None] > 5, bone, np.nan), PARTNERS)
    with pytest.raises(ShapeError, match="must have shape"):
        symmetrize(bone[None], PARTNERS)
    with pytest.raises(ShapeError, match="pairs no landmarks"):
        symmetrize(bone, np.arange(9))
    front = np.random.default_rng(0).normal(size=(9, 3))
    front[[1, 3, 5]] = front[[0, 2, 4]] + 1e-3 * front[[1, 3, 5]]
    with pytest.raises(ShapeError, match="two sides of a plane"):
        symmetrize(front, PARTNERS)
