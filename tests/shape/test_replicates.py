"""Averages of replicates: poses, missing landmarks, single ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.shape.replicates import average_replicates
from morpho.shape.superimposition import centroid_size


@pytest.fixture
def bone():
    return 10 * np.random.default_rng(0).normal(size=(8, 3))


def poses(bone, n, seed=1):
    """The bone as scanned `n` times: turned and moved, not changed."""
    rng = np.random.default_rng(seed)
    return bone @ Rotation.random(n, random_state=seed).as_matrix() + 30 * rng.normal(
        size=(n, 1, 3)
    )


def test_one_replicate_is_copied_with_its_gaps(bone):
    bone[2] = np.nan
    average = average_replicates(bone[None])
    np.testing.assert_array_equal(average, bone)
    average[0] = 0
    assert (bone[0] != 0).all()


def test_replicates_in_different_poses_give_the_bone_back(bone):
    X = poses(bone, 4)
    np.testing.assert_allclose(average_replicates(X), X[0], atol=1e-10)


def test_size_is_the_average_of_sizes_not_one(bone):
    X = np.stack([bone, 1.1 * bone])
    assert centroid_size(average_replicates(X)[None]) == pytest.approx(
        1.05 * centroid_size(bone[None])
    )


def test_replicates_of_one_pose_are_averaged_landmark_by_landmark(bone):
    """Small errors that neither move nor turn the bone as a whole: the plain mean is right."""
    error = np.zeros_like(bone)
    centred = bone - bone.mean(axis=0)
    error += 1e-3 * centred  # a change of size is no rotation and no translation
    X = np.stack([bone + error, bone - error])
    np.testing.assert_allclose(average_replicates(X), bone, atol=1e-9)


def test_landmarks_missing_in_some_come_from_the_others(bone):
    X = poses(bone, 3)
    complete = X[1].copy()
    X[0, 1] = X[0, 2] = X[2, 5] = np.nan
    # the pose is that of the most complete replicate
    np.testing.assert_allclose(average_replicates(X), complete, atol=1e-9)


def test_each_is_incomplete_and_the_union_is_whole(bone):
    X = poses(bone, 2)
    first = X[0].copy()
    X[0, 0] = X[1, 7] = np.nan
    average = average_replicates(X)
    assert np.isfinite(average).all()
    np.testing.assert_allclose(average, first, atol=1e-9)


def test_a_landmark_that_none_has_stays_missing(bone):
    X = poses(bone, 3)
    X[:, 4] = np.nan
    average = average_replicates(X)
    assert np.isnan(average[4]).all()
    assert np.isfinite(np.delete(average, 4, axis=0)).all()


def test_replicates_that_hang_together_by_a_third_are_all_used():
    """The first and the last share nothing, but each shares three landmarks with the second."""
    bone = 10 * np.random.default_rng(4).normal(size=(11, 3))
    X = poses(bone, 3)
    whole = X[0].copy()
    for replicate, kept in zip(X, (range(0, 6), range(3, 9), range(6, 11)), strict=True):
        replicate[[i for i in range(11) if i not in kept]] = np.nan
    np.testing.assert_allclose(average_replicates(X), whole, atol=1e-9)


def test_a_replicate_that_shares_too_few_landmarks_is_left_aside(bone):
    X = poses(bone, 2)
    X[1, 2:] = np.nan
    X[1, :2] += 5
    np.testing.assert_allclose(average_replicates(X), X[0], atol=1e-12)


def test_a_mirrored_replicate_is_not_turned_inside_out(bone):
    """No reflection: a mirror image cannot be brought onto the bone."""
    X = np.stack([bone, bone * [1, 1, -1]])
    assert np.abs(average_replicates(X) - bone).max() > 1


@pytest.mark.parametrize("shape", [(0, 5, 3), (5, 3)])
def test_no_replicates_are_refused(shape):
    with pytest.raises(ValueError, match="at least one"):
        average_replicates(np.zeros(shape))
