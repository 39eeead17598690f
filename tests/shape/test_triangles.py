"""Normals, volumes and mirror images of surfaces, and surfaces that are none."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import (
    check_triangles,
    mirrored_surface,
    signed_volume,
    vertex_normals,
)


@pytest.fixture
def box():
    mesh = trimesh.creation.box(extents=[2, 3, 4])
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def test_volume_of_a_box_wherever_it_lies(box):
    V, F = box
    assert signed_volume(V, F) == pytest.approx(24)
    assert signed_volume(V + 1e4, F) == pytest.approx(24)
    assert signed_volume(V, F[:, ::-1]) == pytest.approx(-24)


def test_a_small_hole_changes_little_far_from_the_origin():
    mesh = trimesh.creation.icosphere(subdivisions=4)
    V, F = mesh.vertices + 1000, mesh.faces[1:]
    assert signed_volume(V, F) == pytest.approx(mesh.volume, rel=1e-2)


def test_normals_at_corners_of_a_box_hang_on_angles_not_on_how_it_is_cut(box):
    """One or two triangles of each side meet at a corner; the normal is the diagonal."""
    V, F = box
    np.testing.assert_allclose(vertex_normals(V, F), np.sign(V) / np.sqrt(3), atol=1e-12)


def test_normals_of_a_sphere_point_away_and_vertices_without_a_face_have_none():
    mesh = trimesh.creation.icosphere(subdivisions=4)
    V = np.vstack([mesh.vertices, [[5, 5, 5]]])
    N = vertex_normals(V, mesh.faces)
    np.testing.assert_allclose(N[:-1], mesh.vertices, atol=1e-2)
    assert N[-1].tolist() == [0, 0, 0]


def test_the_mirror_image_faces_outwards_too(box):
    V, F = box
    W, G = mirrored_surface(V + 5, F)
    assert signed_volume(W, G) == pytest.approx(24)
    np.testing.assert_array_equal(W[:, 2], -(V + 5)[:, 2])


@pytest.mark.parametrize(
    ("vertices", "faces", "told"),
    [
        (np.zeros((4, 2)), [[0, 1, 2]], r"`vertices` must have shape \(n_vertices, 3\)"),
        (np.zeros((4, 3)), np.empty((0, 3), int), "has no faces: it is empty"),
        (np.zeros((4, 3)), [[0, 1, 2, 3]], r"`faces` must have shape \(n_faces, 3\)"),
        (np.zeros((4, 3)), [[0.0, 1.0, 2.0]], "`faces` must hold whole numbers"),
        (np.full((4, 3), np.nan), [[0, 1, 2]], r"missing or infinite coordinates at vertices \[0"),
        (np.zeros((4, 3)), [[0, 1, 4]], "names vertex 4, but there are 4"),
        (np.zeros((4, 3)), [[0, 1, -1]], "names vertex -1"),
    ],
)
def test_what_is_no_surface_is_refused(vertices, faces, told):
    with pytest.raises(ShapeError, match=told):
        check_triangles(vertices, faces)
