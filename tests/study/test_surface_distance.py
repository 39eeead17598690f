"""Distances to a surface, against the closed form and against trying every triangle."""

import numpy as np
import pytest
import trimesh
from trimesh.proximity import closest_point_naive

from morpho.study.scans.surface_distance import distance_to_surface


def test_distances_to_a_ball_have_a_closed_form():
    """Points inside and outside a fine ball are off by their radius less the ball's."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=3)
    points = np.random.default_rng(4).normal(0, 3, (200, 3))
    expected = np.abs(np.linalg.norm(points, axis=1) - 3)
    assert np.allclose(distance_to_surface(points, ball.vertices, ball.faces), expected, atol=2e-3)


@pytest.mark.parametrize("kind", ["ball", "box", "mixed"])
def test_the_trees_miss_no_triangle(kind):
    """Small, large, and both kinds of triangles: the same as trying them all."""
    ball, box = trimesh.creation.icosphere(subdivisions=2), trimesh.creation.box([5, 6, 70])
    box.apply_translation([4, 0, 0])
    mesh = {"ball": ball, "box": box, "mixed": trimesh.util.concatenate([ball, box])}[kind]
    points = np.random.default_rng(5).uniform(-6, 6, (150, 3))
    expected = closest_point_naive(mesh, points)[1]
    found = distance_to_surface(points, mesh.vertices, mesh.faces)
    assert np.allclose(found, expected, rtol=0, atol=1e-12)


def test_triangles_without_an_area_do_no_harm():
    """A sliver with all its corners in a line beside a sound triangle."""
    vertices = [[0, 0, 0], [4, 0, 0], [0, 4, 0], [2, 0, 0], [1, 0, 0]]
    found = distance_to_surface([[1, 1, 3], [1, -2, 0]], vertices, np.array([[0, 1, 2], [0, 3, 4]]))
    assert np.allclose(found, [3, 2])
