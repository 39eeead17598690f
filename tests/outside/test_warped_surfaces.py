"""Warped surfaces against closed forms, scipy and trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.interpolate import RBFInterpolator
from scipy.spatial.transform import Rotation

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.triangles import signed_volume, vertex_normals
from morpho.shape.surfaces.warped import displacement_field, normal_displacement, warp_surface
from morpho.shape.surfaces.watertight import close_surface
from morpho.steps.show.mesh_files import write_glb, write_stl

AXES = np.array([30.0, 12.0, 8.0])


@pytest.fixture(scope="module")
def sphere():
    return trimesh.creation.icosphere(subdivisions=5)


def spread(n):
    """Points spread evenly over the unit sphere along a spiral (Vogel 1979, from memory)."""
    i = np.arange(n) + 0.5
    z, turn = 1 - 2 * i / n, np.pi * (1 + np.sqrt(5)) * i
    r = np.sqrt(1 - z**2)
    return np.column_stack([r * np.cos(turn), r * np.sin(turn), z])


def bent(X):
    """A curved bone that tapers: no affine map, and one-to-one."""
    x, y, z = X.T
    thin = 1 - 0.3 * x
    return np.column_stack([30 * x, 12 * y * thin + 4 * x**2, 8 * z * thin])


def test_a_sphere_becomes_the_ellipsoid(sphere):
    """The map is affine, which a spline follows without error, whatever the landmarks."""
    L = spread(40)
    warped = warp_surface(sphere.vertices, sphere.faces, L, L * AXES)
    np.testing.assert_allclose(((warped.vertices / AXES) ** 2).sum(axis=1), 1, atol=1e-9)
    assert warped.volume == pytest.approx(4 / 3 * np.pi * AXES.prod(), rel=3e-3)
    assert warped.volume == pytest.approx(AXES.prod() * sphere.volume, rel=1e-9)
    assert warped.sound


@pytest.mark.parametrize("k", [30, 200])
def test_warped_vertices_against_scipy(sphere, k):
    """RBFInterpolator with kernel r and a polynomial of degree 1, on every vertex."""
    L = spread(k)
    target = bent(L)
    expected = RBFInterpolator(L, target, kernel="linear", degree=1)(sphere.vertices)
    warped = warp_surface(sphere.vertices, sphere.faces, L, target)
    np.testing.assert_allclose(warped.vertices, expected, atol=1e-9)
    assert warped.volume == pytest.approx(
        trimesh.Trimesh(expected, sphere.faces, process=False).volume, rel=1e-9
    )


def test_more_landmarks_bring_the_true_form_nearer():
    """The bent bone is known at every vertex; the spline's error falls with its landmarks."""
    sphere = trimesh.creation.icosphere(subdivisions=3)
    truth = bent(sphere.vertices)
    errors = []
    for k in (25, 100, 400):
        warped = warp_surface(sphere.vertices, sphere.faces, spread(k), bent(spread(k)))
        errors.append(np.linalg.norm(warped.vertices - truth, axis=1).max())
        assert warped.sound
    assert errors[0] > 2 * errors[1] > 4 * errors[2]
    assert errors[2] < 0.01 * 60


@pytest.mark.parametrize("seed", range(5))
def test_volume_changes_by_the_determinant(sphere, seed):
    """Of any affine map; also far from the origin, and against trimesh's volume."""
    rng = np.random.default_rng(seed)
    A = rng.normal(size=(3, 3))
    A[0] *= np.sign(np.linalg.det(A))
    L = spread(30)
    warped = warp_surface(sphere.vertices, sphere.faces, L, L @ A + 500)
    assert warped.volume == pytest.approx(np.linalg.det(A) * sphere.volume, rel=1e-7)
    mesh = trimesh.Trimesh(warped.vertices - 500, sphere.faces, process=False)
    assert warped.volume == pytest.approx(mesh.volume, rel=1e-7)
    assert warped.sound


@pytest.mark.parametrize("seed", range(5))
def test_no_face_is_inverted_where_the_spline_is_one_to_one(sphere, seed):
    """By brute force: the Jacobian by differences at each face's middle, normals by trimesh.

    Landmarks are moved at random, further from seed to seed, so that some warps fold.
    """
    rng = np.random.default_rng(seed)
    L = spread(40)
    target = L + (0.04 + 0.06 * seed) * rng.normal(size=L.shape)
    spline = RBFInterpolator(L, target, kernel="linear", degree=1)
    middles, step = sphere.triangles_center, 1e-6
    J = np.stack(
        [(spline(middles + step * e) - spline(middles - step * e)) / (2 * step) for e in np.eye(3)],
        axis=2,
    )
    determinant = np.linalg.det(J)
    warped = warp_surface(sphere.vertices, sphere.faces, L, target)
    clear = np.abs(determinant) > 1e-3
    np.testing.assert_array_equal(warped.folded[clear], determinant[clear] < 0)
    # a normal n goes to det(J) J^-T n; the warped face must agree
    carried = (
        determinant[:, None]
        * np.linalg.solve(J.transpose(0, 2, 1), sphere.face_normals[..., None])[..., 0]
    )
    mesh = trimesh.Trimesh(warped.vertices, sphere.faces, process=False)
    crosses = mesh.triangles_cross
    agree = np.einsum("ij,ij->i", crosses, carried)
    sure = clear & (np.abs(agree) > 1e-9)
    np.testing.assert_array_equal(warped.turned[sure], (agree < 0)[sure] & (determinant > 0)[sure])
    assert warped.sound == (not warped.folded.any() and not warped.turned.any())
    if seed == 0:
        assert warped.sound
    if seed == 4:
        assert warped.share_folded > 0


def test_a_mirror_image_is_refused(sphere):
    L = spread(30)
    with pytest.raises(ShapeError, match="mirror image"):
        warp_surface(sphere.vertices, sphere.faces, L, L * [1, 1, -1])


def test_heat_of_concentric_forms_has_a_closed_form(sphere):
    """An ellipsoid against one a tenth larger: n . x / 10 = 0.1 / |x / a^2|, and behind it.

    The support function of an ellipsoid with half axes a is 1 / |x / a^2| at its point x.
    """
    V, L = sphere.vertices * AXES, spread(40) * AXES
    field = displacement_field(V, L, 1.1 * L)
    support = 1 / np.linalg.norm(V / AXES**2, axis=1)
    exact = (V / AXES**2) * support[:, None]
    np.testing.assert_allclose(normal_displacement(exact, field), -0.1 * support, atol=1e-9)
    told = normal_displacement(vertex_normals(V, sphere.faces), field)
    np.testing.assert_allclose(told, -0.1 * support, atol=0.02)


def test_vertex_normals_against_trimesh(sphere):
    V = bent(sphere.vertices)
    mesh = trimesh.Trimesh(V, sphere.faces, process=False)
    ours = vertex_normals(V, sphere.faces)
    expected = trimesh.geometry.weighted_vertex_normals(
        len(V), sphere.faces, mesh.face_normals, mesh.face_angles
    )
    np.testing.assert_allclose(ours, expected, atol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_closed_surface_is_watertight_to_trimesh(sphere, seed):
    """Turned, some faces lost, some wound wrongly: trimesh finds it whole, outward, as large."""
    rng = np.random.default_rng(seed)
    V = sphere.vertices * AXES @ Rotation.random(rng=rng).as_matrix() + 100
    F = sphere.faces[rng.random(len(sphere.faces)) > 0.03]
    F = np.where(rng.random(len(F))[:, None] < 0.3, F[:, ::-1], F)
    closed = close_surface(V, F)
    mesh = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert closed.watertight
    assert mesh.is_volume
    assert mesh.volume == pytest.approx(AXES.prod() * sphere.volume, rel=2e-3)
    assert signed_volume(V, sphere.faces) == pytest.approx(mesh.volume, rel=2e-3)


def test_files_read_by_trimesh_equal_what_was_written(sphere, tmp_path):
    """STL corner by corner in mm; GLB vertex by vertex in mm, shown in metres."""
    L = spread(30)
    warped = warp_surface(sphere.vertices, sphere.faces, L, bent(L))
    write_stl(tmp_path / "bone.stl", warped.vertices, warped.faces)
    read = trimesh.load_mesh(tmp_path / "bone.stl")
    np.testing.assert_array_equal(
        read.triangles.astype("f4"), warped.vertices[warped.faces].astype("f4")
    )
    assert read.is_volume
    assert read.volume == pytest.approx(warped.volume, rel=1e-5)
    write_glb(tmp_path / "bone.glb", warped.vertices, warped.faces)
    scene = trimesh.load_scene(tmp_path / "bone.glb", process=False)
    (part,) = scene.geometry.values()
    np.testing.assert_array_equal(part.vertices.astype("f4"), warped.vertices.astype("f4"))
    np.testing.assert_array_equal(part.faces, warped.faces)
    assert scene.units == "meters"
    np.testing.assert_allclose(1000 * scene.extents, np.ptp(warped.vertices, axis=0), rtol=1e-6)
