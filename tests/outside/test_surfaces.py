"""Closest points and carried points against closed forms and against trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from morpho.shape.surfaces.nearest import along_lines
from morpho.shape.surfaces.patches import carry_points, closest_on_surface


@pytest.fixture(scope="module")
def sphere():
    return trimesh.creation.icosphere(subdivisions=5, radius=20)


def directions(rng, n):
    d = rng.normal(size=(n, 3))
    return d / np.linalg.norm(d, axis=1, keepdims=True)


def test_closest_points_of_a_sphere(sphere):
    """Closed form: the radius through the point; faces lie up to 0.003 of the radius within."""
    rng = np.random.default_rng(0)
    d, r = directions(rng, 400), rng.uniform(10, 60, size=400)
    closest, distance, _ = closest_on_surface(sphere, r[:, None] * d)
    np.testing.assert_allclose(distance, np.abs(r - 20), atol=0.01)
    # of a flat face the nearest place may lie half an edge beside the radius
    np.testing.assert_allclose(closest, 20 * d, atol=0.5)
    heights = (sphere.triangles[:, 0] * sphere.face_normals).sum(axis=1)
    assert np.linalg.norm(closest, axis=1).min() >= heights.min() - 1e-9
    assert np.linalg.norm(closest, axis=1).max() <= 20 + 1e-9


@pytest.mark.parametrize("spread", [0.1, 1, 5])
def test_closest_points_against_trimesh(sphere, spread):
    """`trimesh.proximity.closest_point`, an R-tree, on a lumpy surface."""
    pytest.importorskip("rtree")
    rng = np.random.default_rng(1)
    lumps = 1 + 0.2 * np.sin(sphere.vertices / 3).sum(axis=1, keepdims=True)
    mesh = trimesh.Trimesh(sphere.vertices * lumps, sphere.faces, process=False)
    points = mesh.vertices[rng.choice(len(mesh.vertices), 300)] + spread * rng.normal(size=(300, 3))
    closest, distance, face = closest_on_surface(mesh, points)
    other, expected, _ = trimesh.proximity.closest_point(mesh, points)
    np.testing.assert_allclose(distance, expected, atol=1e-10)
    unique = np.linalg.norm(closest - other, axis=1) < 1e-8
    assert unique.mean() > 0.99
    # the face named holds the point
    feet = trimesh.triangles.closest_point(mesh.triangles[face], closest)
    np.testing.assert_allclose(feet, closest, atol=1e-9)


def test_closest_points_of_single_triangles_against_trimesh():
    """`trimesh.triangles.closest_point` (Ericson's regions): plane, edges and corners."""
    rng = np.random.default_rng(2)
    for _ in range(40):
        corners = rng.normal(size=(1, 3, 3))
        mesh = trimesh.Trimesh(corners[0], [[0, 1, 2]], process=False)
        points = 2 * rng.normal(size=(50, 3))
        expected = trimesh.triangles.closest_point(np.repeat(corners, 50, axis=0), points)
        np.testing.assert_allclose(closest_on_surface(mesh, points)[0], expected, atol=1e-10)


def test_lines_against_barycentric_coordinates():
    """Where the line and the plane meet, the weights of the corners tell inside from out."""
    rng = np.random.default_rng(3)
    corners = rng.normal(size=(2000, 3, 3))
    points, d = rng.normal(size=(2000, 3)), directions(rng, 2000)
    along = along_lines(points, d, corners)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    way = ((corners[:, 0] - points) * normals).sum(axis=1) / (d * normals).sum(axis=1)
    meet = points + way[:, None] * d
    inside = (trimesh.triangles.points_to_barycentric(corners, meet) > 0).all(axis=1)
    assert 50 < inside.sum() < 1000
    np.testing.assert_array_equal(np.isfinite(along), inside)
    np.testing.assert_allclose(along[inside], way[inside], rtol=1e-6)


def test_carried_points_of_an_ellipsoid_meet_its_closed_form():
    """From within, along the normal: the quadratic equation gives the place on the surface."""
    rng = np.random.default_rng(4)
    mesh = trimesh.creation.icosphere(subdivisions=6)
    axes = np.array([12.0, 7, 5])
    mesh = trimesh.Trimesh(mesh.vertices * axes, mesh.faces, process=False)
    anchors, d = directions(rng, 40) * axes, directions(rng, 80)
    points = 0.96 * d * axes
    normals = d / axes
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    carried = carry_points(points, anchors, anchors, mesh, normals)
    a = ((normals / axes) ** 2).sum(axis=1)
    b = (points * normals / axes**2).sum(axis=1)
    c = ((points / axes) ** 2).sum(axis=1) - 1
    way = (-b + np.sqrt(b**2 - a * c)) / a
    np.testing.assert_allclose(carried.distance, way, atol=5e-3)
    np.testing.assert_allclose(carried.points, points + way[:, None] * normals, atol=5e-3)
