"""Warped scans: affine ones exactly, folded ones told, and displacement signed outwards."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import centroid_size
from morpho.shape.surfaces.triangles import vertex_normals
from morpho.shape.surfaces.warped import (
    displacement_field,
    lay_onto,
    normal_displacement,
    warp_surface,
)
from morpho.shape.thin_plate import ThinPlateSpline


@pytest.fixture
def ball():
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=10)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


@pytest.fixture
def landmarks(ball):
    return ball[0][np.random.default_rng(0).choice(len(ball[0]), 30, replace=False)]


@pytest.mark.parametrize("seed", range(4))
def test_an_affine_warp_turns_no_face_and_scales_the_volume(ball, landmarks, seed):
    V, F = ball
    A = np.eye(3) + 0.4 * np.random.default_rng(seed).normal(size=(3, 3))
    A[0] *= np.sign(np.linalg.det(A))
    warped = warp_surface(V, F, landmarks, landmarks @ A + 7)
    np.testing.assert_allclose(warped.vertices, V @ A + 7, atol=1e-9)
    assert warped.sound
    assert warped.share_folded == warped.turned.sum() == 0
    assert warped.volume == pytest.approx(np.linalg.det(A) * warped.volume_before)


def test_signs_are_those_of_the_splines_own_jacobian(ball, landmarks):
    """The quick sum over all nine derivatives against `ThinPlateSpline.jacobian`."""
    V, F = ball
    target = landmarks + np.random.default_rng(1).normal(scale=2.5, size=landmarks.shape)
    warped = warp_surface(V + 1e4, F, landmarks + 1e4, target)
    J = ThinPlateSpline().fit(landmarks, target).jacobian(V[F].mean(axis=1))
    np.testing.assert_array_equal(warped.folded, np.linalg.det(J) <= 0)
    assert 0 < warped.share_folded < 0.5
    assert not warped.sound


def test_a_landmark_pulled_through_the_bone_folds_it_and_is_told(ball, landmarks):
    """Where a few landmarks change places, space is folded: there, and not far off."""
    V, F = ball
    target = landmarks.copy()
    order = np.argsort(np.linalg.norm(landmarks - landmarks[0], axis=1))
    target[[order[0], order[1]]] = landmarks[[order[1], order[0]]]
    warped = warp_surface(V, F, landmarks, target)
    assert 0 < warped.share_folded < 0.3
    assert not warped.sound
    far = np.linalg.norm(V[F].mean(axis=1) - landmarks[0], axis=1) > 15
    assert not warped.folded[far].any()


def test_a_face_too_large_for_the_bend_is_told_apart_from_a_fold(ball):
    """A spline can be one-to-one at a large face's middle, and yet turn the flat face over.

    Two corners of a triangle change places, while points about its middle stay.
    """
    corners = np.array([[0.0, 0, 0], [3, 0, 0], [0, 3, 0]])
    about = np.array([1.0, 1, 0]) + 0.2 * np.vstack([np.eye(3), -np.eye(3)])
    source = np.vstack([corners, about, ball[0][::60]])
    target = source.copy()
    target[[1, 2]] = source[[2, 1]]
    V, F = np.vstack([ball[0] + [40, 0, 0], corners]), np.vstack([ball[1], [len(ball[0])] * 3])
    F[-1] += [0, 1, 2]
    warped = warp_surface(V, F, source, target)
    assert warped.turned.nonzero()[0].tolist() == [len(F) - 1]
    assert not warped.folded.any()
    assert not warped.sound


def test_the_target_is_brought_to_the_size_wanted(ball, landmarks):
    V, F = ball
    shape = landmarks / centroid_size(landmarks[None])[0]
    warped = warp_surface(V, F, landmarks, shape, size=2 * centroid_size(landmarks[None])[0])
    np.testing.assert_allclose(warped.vertices, 2 * V, atol=1e-9)


def test_half_a_million_vertices_stay_within_memory():
    """A block at a time: 200 landmarks for all vertices at once would be 800 MB."""
    mesh = trimesh.creation.icosphere(subdivisions=6)
    V, F = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    source = V[:: len(V) // 200][:200]
    tracemalloc.start()
    try:
        warp_surface(V, F, source, source * [1, 2, 3])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak * 500_000 / len(V) < 1e9


def test_laying_a_bone_onto_another_keeps_its_size(make_bones, turn):
    A = make_bones(n=1, k=12)[0]
    scan = np.random.default_rng(3).normal(size=(40, 3))
    moved, of_scan = A @ turn + [5, 6, 7], scan @ turn + [5, 6, 7]
    np.testing.assert_allclose(lay_onto(moved, A), A, atol=1e-9)
    np.testing.assert_allclose(lay_onto(moved, A, of_scan), scan, atol=1e-9)
    np.testing.assert_allclose(
        centroid_size(lay_onto(2 * moved, A)[None]), 2 * centroid_size(A[None])
    )


def test_a_larger_bone_stands_out_everywhere_by_the_difference(ball, landmarks):
    """A ball of radius 10 against one of 9: one mm, outwards positive."""
    V, F = ball
    field = displacement_field(V, landmarks, 0.9 * landmarks)
    np.testing.assert_allclose(field, -0.1 * V, atol=1e-9)
    np.testing.assert_allclose(normal_displacement(V / 10, field), 1, atol=1e-9)
    behind = normal_displacement(
        vertex_normals(V, F), displacement_field(V, landmarks, 1.1 * landmarks)
    )
    np.testing.assert_allclose(behind, -1, atol=2e-3)


def test_a_vertex_without_a_normal_has_no_displacement():
    beyond = normal_displacement([[0, 0, 0], [0, 0, 1], [np.nan] * 3], np.ones((3, 3)))
    np.testing.assert_array_equal(beyond, [np.nan, -1, np.nan])


def test_bad_landmarks_are_refused(ball, landmarks):
    V, F = ball
    twice = landmarks.copy()
    twice[1] = twice[0]
    flat = landmarks * [1, 1, 0]
    missing = landmarks.copy()
    missing[3] = np.nan
    for source, target, told in (
        (twice, landmarks, "Landmarks 0 and 1 of `source` .* lie at one place"),
        (flat, landmarks, "lie in one plane"),
        (landmarks, landmarks[:-1], "must have the same landmarks, but have 30 and 29"),
        (landmarks, missing, r"missing or infinite coordinates at landmarks \[3\]"),
        (landmarks[:, :2], landmarks[:, :2], "need landmarks in 3 dimensions"),
        (landmarks, landmarks * [1, 1, -1], "`target` is the mirror image of `source`"),
    ):
        with pytest.raises(ShapeError, match=told):
            warp_surface(V, F, source, target)
    with pytest.raises(ShapeError, match="has no faces"):
        warp_surface(V, F[:0], landmarks, landmarks)
    for size in (0, -1, np.nan):
        with pytest.raises(ValueError, match="`size` must be a number of mm above 0"):
            warp_surface(V, F, landmarks, landmarks, size=size)


def test_shapes_that_do_not_fit_are_refused(landmarks):
    with pytest.raises(ShapeError, match=r"must both have shape .* \(3, 3\) and \(2, 3\)"):
        normal_displacement(np.ones((3, 3)), np.ones((2, 3)))
    with pytest.raises(ShapeError, match="`reference` must have 30 landmarks, but has 29"):
        lay_onto(landmarks, landmarks[:-1])
    with pytest.raises(ShapeError, match="`points` must have shape"):
        lay_onto(landmarks, landmarks, [1, 2, 3])
