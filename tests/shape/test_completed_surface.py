"""Broken bones completed, and surfaces held against surfaces."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.completed import (
    _far_from_surface,
    completed_surface,
)
from morpho.shape.surfaces.patches import closest_on_surface


@pytest.fixture
def template():
    """A long bone, its landmarks among its vertices."""
    mesh = trimesh.creation.icosphere(subdivisions=4)
    mesh.apply_scale([20, 5, 4])
    V = np.asarray(mesh.vertices)
    return V, np.asarray(mesh.faces), V[np.random.default_rng(0).permutation(len(V))[:40]]


def broken(V, F, at):
    """What is left of a bone that ends at a plane."""
    return SimpleNamespace(vertices=V, faces=F[(V[F][..., 0] < at).all(axis=1)])


def test_what_is_beyond_the_break_is_filled(template):
    V, F, L = template
    bone, points = 1.2 * V, 1.2 * L
    done = completed_surface(V, F, L, points, scan=broken(bone, F, 5.0), tolerance=0.5)
    np.testing.assert_allclose(done.surface.vertices, bone, atol=1e-9)
    np.testing.assert_array_equal(done.surface.faces, F)
    x = bone[:, 0]
    assert done.filled[x > 5.6].all()
    assert not done.filled[x < 4].any()
    assert done.tolerance == 0.5


def test_a_whole_bone_has_nothing_filled(template):
    V, F, L = template
    scan = trimesh.Trimesh(V, F, process=False)
    done = completed_surface(V, F, L, L, scan=scan)
    assert not done.filled.any()
    assert done.tolerance == pytest.approx(0.04 * np.linalg.norm(np.ptp(L, axis=0)))


def test_without_a_scan_the_estimated_landmarks_tell(template):
    V, F, L = template
    estimated = L[:, 0] > 8
    done = completed_surface(V, F, L, L, estimated=estimated)
    assert np.isnan(done.tolerance)
    assert done.filled[V[:, 0] > 15].all()
    assert not done.filled[V[:, 0] < 0].any()
    # at a landmark itself the answer is its own
    own = [int(np.flatnonzero((point == V).all(axis=1))[0]) for point in L]
    np.testing.assert_array_equal(done.filled[own], estimated)
    assert not completed_surface(V, F, L, L, estimated=np.zeros(40, bool)).filled.any()


def test_far_from_a_surface_is_what_the_exact_distance_says(template):
    V, F, _ = template
    mesh = trimesh.Trimesh(V, F, process=False)
    points = np.random.default_rng(1).uniform(-1, 1, size=(500, 3)) * [25, 8, 8]
    distance = closest_on_surface(mesh, points)[1]
    for tolerance in (0.2, 1.0, 3.0):
        expected = distance > tolerance
        assert 0 < expected.sum() < 500
        np.testing.assert_array_equal(_far_from_surface(points, mesh, tolerance), expected)


def test_large_faces_are_near_though_their_corners_are_far():
    plate = trimesh.creation.box(extents=[100, 100, 1])
    assert _far_from_surface([[10, 7, 1], [10, 7, 3]], plate, 1.0).tolist() == [False, True]


def test_bad_input_is_refused(template):
    V, F, L = template
    with pytest.raises(ShapeError, match="cannot be told without the bone's own scan"):
        completed_surface(V, F, L, L)
    with pytest.raises(ShapeError, match="yes or no for each of the 40 landmarks"):
        completed_surface(V, F, L, L, estimated=[True])
    with pytest.raises(ShapeError, match="has no faces"):
        completed_surface(V, F, L, L, scan=SimpleNamespace(vertices=V, faces=F[:0]))
    with pytest.raises(ValueError, match="`tolerance` must be a number of mm above 0"):
        completed_surface(V, F, L, L, scan=broken(V, F, 5.0), tolerance=0)
