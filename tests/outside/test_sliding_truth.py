"""Sliding on curves and surfaces whose homologous places are known in closed form.

Each specimen is a smooth map of one template; a place is homologous to the one with the same
parameters on the template. Points start by a rule that knows nothing of that (equal steps of
arc, equal angles from the centre), and after sliding the parameters of a point should agree
between specimens: their spread is the error.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from morpho.shape.semilandmarks.curves import project_to_polyline, resample
from morpho.shape.semilandmarks.sliding import slide
from morpho.shape.surfaces.nearest import Surface
from morpho.shape.surfaces.patches import closest_on_surface


def spread(parameters):
    """Root mean square, over points, of the standard deviation between specimens."""
    parameters = np.asarray(parameters)
    return float(np.sqrt(parameters.var(axis=0).mean()))


def slid_curves(lines, ends, others, m, **options):
    """Start at equal steps along each polyline, slide, and give points before and after.

    Points are the two ends, m semilandmarks, the other landmarks.
    """
    X = np.array(
        [
            np.vstack([e, resample(line, m), o])
            for line, e, o in zip(lines, ends, others, strict=True)
        ]
    )
    curve = np.r_[0, 2 : m + 2, 1]

    def project(i, points):
        points[curve] = project_to_polyline(points[curve], lines[i])[0]
        return points, None

    result = slide(X, curves=[curve], project=project, **options)
    assert result.converged
    inner = slice(2, m + 2)
    return X[:, inner], result.coordinates[:, inner]


def test_half_ellipses():
    """x = a cos u, y = b sin u: affine maps of each other, which bend nothing.

    Where the angle u is the same the bending energy is zero. The polylines are affine maps
    of each other as well, so that not even their coarseness is in the way.
    """
    rng = np.random.default_rng(0)
    a, b = np.exp(0.3 * rng.normal(size=(2, 15)))
    fine, below = np.linspace(0, np.pi, 2001), -np.linspace(0.6, 2.5, 4)
    axes = np.stack([a, b], axis=1)[:, None]
    lines = axes * np.column_stack([np.cos(fine), np.sin(fine)])
    others = axes * np.column_stack([np.cos(below), np.sin(below)])
    ends = lines[:, [0, -1]]
    before, after = slid_curves(lines, ends, others, 12, tolerance=1e-7, max_passes=200)

    def angles(points):
        return np.arctan2(points[:, :, 1] / b[:, None], points[:, :, 0] / a[:, None])

    assert spread(angles(before)) > 0.05
    assert spread(angles(after)) < 1e-5


def helices(seed=1, n=15):
    """Lie in any pose; radius, pitch and a bend differ: the maps are not affine."""
    rng = np.random.default_rng(seed)
    radius, pitch = np.exp(0.15 * rng.normal(size=(2, n)))
    bend = 0.08 * rng.normal(size=n)
    turns = Rotation.random(n, random_state=seed).as_matrix()

    def place(u, i):
        x = radius[i] * np.cos(u)
        return (
            np.stack([x, radius[i] * np.sin(u), pitch[i] * u + bend[i] * x**2 * u], axis=-1)
            @ turns[i]
        )

    def angle(points, i):
        back = points @ turns[i].T
        return np.arctan2(back[:, 1], back[:, 0]) % (2 * np.pi)

    return place, angle, n


def test_helices():
    """(r cos u, r sin u, p u + c x^2 u), with landmarks at both ends and on its axis."""
    place, angle, n = helices()
    fine = np.linspace(0.4, 6, 3001)
    lines = [place(fine, i) for i in range(n)]
    marks = np.array([1.3, 3.1, 4.9])
    # landmarks beside the curve, on a helix of the same family turned by half
    others = [np.vstack([0.4 * place(marks + np.pi, i), 1.2 * place(marks, i)]) for i in range(n)]
    ends = [line[[0, -1]] for line in lines]
    before, after = slid_curves(lines, ends, others, 15, tolerance=1e-5, max_passes=200)
    start = spread([angle(x, i) for i, x in enumerate(before)])
    end = spread([angle(x, i) for i, x in enumerate(after)])
    assert end < 0.5 * start


@pytest.mark.parametrize("criterion", ["bending_energy", "procrustes"])
def test_one_curve_cut_by_different_measures(criterion):
    """The same bone each time, but points drawn together to one end, more or less.

    Either criterion has its least, zero, where all agree.
    """
    rng = np.random.default_rng(2)
    fine = np.linspace(0.4, 6, 1001)
    place, angle, _ = helices(n=1)
    line = place(fine, 0)
    share = np.linspace(0, 1, 14)[1:-1] ** np.exp(0.1 * rng.normal(size=(12, 1)))
    marks = 0.4 * place(np.array([1.3, 3.1, 4.9]), 0)
    X = np.array([np.vstack([line[[0, -1]], place(0.4 + 5.6 * s, 0), marks]) for s in share])
    curve = np.r_[0, 2:14, 1]

    def project(i, points):
        points[curve] = project_to_polyline(points[curve], line)[0]
        return points, None

    result = slide(
        X, curves=[curve], project=project, criterion=criterion, tolerance=1e-7, max_passes=300
    )
    assert result.converged
    assert result.energy[-1] < 1e-4 * result.energy[0]
    before = spread([angle(x[2:14], 0) for x in X])
    after = spread([angle(x[2:14], 0) for x in result.coordinates])
    assert after < 0.02 * before


def ellipsoids(n=15, seed=3, bend=0.0):
    """Axes differ by a tenth or so; optionally bent along the first; and a start for points."""
    rng = np.random.default_rng(seed)
    axes = np.exp(0.12 * rng.normal(size=(n, 3))) * [10, 7, 6]
    bends = bend * rng.normal(size=n)
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / 3**0.5
    d = rng.normal(size=(60, 3))
    d /= np.linalg.norm(d, axis=1, keepdims=True)

    def place(u, i):
        points = u * axes[i]
        points[:, 2] += bends[i] * points[:, 0] ** 2
        return points

    def back(points, i):
        u = points.copy()
        u[:, 2] -= bends[i] * u[:, 0] ** 2
        return u / axes[i]

    # equal angles from the centre, whatever the axes
    starts = [d / axes[i] for i in range(n)]
    starts = [u / np.linalg.norm(u, axis=1, keepdims=True) for u in starts]
    X = np.array([np.vstack([place(corners, i), place(u, i)]) for i, u in enumerate(starts)])
    return X, place, back


@pytest.mark.parametrize(("bend", "left"), [(0.0, 1e-5), (0.01, 0.5)])
def test_ellipsoids_in_closed_form(bend, left):
    """Affine maps of a sphere bend nothing: the places are found. Bent, they are found nearly."""
    X, place, back = ellipsoids(bend=bend)
    surfaces = np.arange(8, 68)

    def project(i, points):
        u = back(points, i)
        u /= np.linalg.norm(u, axis=1, keepdims=True)
        # two tangents of the sphere, mapped; their cross product is the normal
        s = u[surfaces]
        one = np.cross(s, np.eye(3)[np.abs(s).argmin(axis=1)])
        two, h = np.cross(s, one), 1e-6
        normals = np.cross(
            place(s + h * one, i) - place(s - h * one, i),
            place(s + h * two, i) - place(s - h * two, i),
        )
        return place(u, i), normals

    result = slide(X, curves=[], surfaces=surfaces, project=project, tolerance=1e-6, max_passes=200)
    assert result.converged
    before = spread([back(x[surfaces], i) for i, x in enumerate(X)])
    after = spread([back(x[surfaces], i) for i, x in enumerate(result.coordinates)])
    assert before > 0.03
    assert after < left * before


def test_scanned_ellipsoids():
    """The same with scans of 5,120 faces each, cut differently: closest points, face normals."""
    X, place, back = ellipsoids(n=6)
    surfaces = np.arange(8, 68)
    sphere = trimesh.creation.icosphere(subdivisions=4)
    turns = Rotation.random(len(X), random_state=0).as_matrix()
    meshes = [
        trimesh.Trimesh(place(sphere.vertices @ turn, i), sphere.faces, process=False)
        for i, turn in enumerate(turns)
    ]
    prepared = [Surface(mesh) for mesh in meshes]

    def project(i, points):
        closest, _, face = closest_on_surface(prepared[i], points[surfaces])
        points[surfaces] = closest
        return points, meshes[i].face_normals[face]

    result = slide(X, curves=[], surfaces=surfaces, project=project)
    assert result.converged
    before = spread([back(x[surfaces], i) for i, x in enumerate(X)])
    after = spread([back(x[surfaces], i) for i, x in enumerate(result.coordinates)])
    assert after < 0.15 * before
    for i, x in enumerate(result.coordinates):
        np.testing.assert_allclose(closest_on_surface(meshes[i], x[surfaces])[1], 0, atol=1e-9)
