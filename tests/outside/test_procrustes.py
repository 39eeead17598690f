"""Distances and rotations of two configurations, against scipy and Kendall's closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.spatial import procrustes
from scipy.spatial.transform import Rotation

from morpho.shape.rotation import best_rotations
from morpho.shape.superimposition import (
    GeneralizedProcrustes,
    centroid_size,
    procrustes_distance,
)

MIRROR = np.diag([1.0, 1.0, -1.0])


def _standard(X):
    X = X - X.mean(axis=-2, keepdims=True)
    return X / np.linalg.norm(X, axis=(-2, -1), keepdims=True)


def _aligned_by_scipy(A, B):
    """Rotation of A onto B and the distance that is left, by scipy's attitude solver."""
    turn, left = Rotation.align_vectors(_standard(B), _standard(A))
    return turn.as_matrix(), left


@pytest.mark.parametrize("d", [2, 3])
def test_disparity_of_scipy_is_the_squared_full_distance(draw_bones, d):
    """scipy.spatial.procrustes: disparity = 1 - (sum of singular values)^2 = sin^2 rho."""
    X = draw_bones(np.random.default_rng(d), 60, d=d)
    expected = [procrustes(X[i], X[i + 1])[2] for i in range(59)]
    np.testing.assert_allclose(
        procrustes_distance(X[:-1], X[1:], kind="full") ** 2, expected, atol=1e-12
    )


def test_scipy_reflects_and_we_do_not(draw_bones):
    """scipy.spatial.procrustes allows reflection, so it finds mirror images the same."""
    X = draw_bones(np.random.default_rng(5), 20)
    mirrored = X @ MIRROR
    assert max(procrustes(a, b)[2] for a, b in zip(X, mirrored, strict=True)) < 1e-12
    assert procrustes_distance(X, mirrored).min() > 0.05


@pytest.mark.parametrize("case", ["alike", "unlike", "mirrored", "flat", "flat_mirrored"])
def test_rotations_agree_with_align_vectors(draw_bones, case):
    """Rotation.align_vectors of scipy (Kabsch) gives the same rotations and residuals."""
    rng = np.random.default_rng(8)
    if case == "unlike":
        A, B = rng.normal(size=(2, 80, 6, 3))
    else:
        A, B = draw_bones(rng, 160).reshape(2, 80, 7, 3)
    if case.startswith("flat"):
        # in a plane of its own each
        flat = np.diag([1.0, 1.0, 0.0])
        A = A @ flat @ Rotation.random(80, rng=rng).as_matrix()
        B = B @ flat @ Rotation.random(80, rng=rng).as_matrix()
    if case.endswith("mirrored"):
        A = A @ MIRROR
    a, b = _standard(A), _standard(B)
    rotations = best_rotations(a.transpose(0, 2, 1) @ b)
    expected = [_aligned_by_scipy(x, y) for x, y in zip(A, B, strict=True)]
    np.testing.assert_allclose(np.linalg.det(rotations), 1, atol=1e-12)
    np.testing.assert_allclose(
        rotations @ rotations.transpose(0, 2, 1), np.broadcast_to(np.eye(3), (80, 3, 3)), atol=1e-12
    )
    # scipy turns columns, this project rows
    np.testing.assert_allclose(
        rotations, np.array([turn for turn, _ in expected]).transpose(0, 2, 1), atol=1e-7
    )
    np.testing.assert_allclose(
        procrustes_distance(A, B, kind="partial"), [left for _, left in expected], atol=1e-9
    )


def test_nearly_flat_configurations_are_turned_as_exactly_as_others():
    """Polar factors over 12 decades of flatness, against those that made the matrices.

    C = U S V' with U V' of determinant +1 and S positive has the polar factor U V'. Its
    conditioning is 1 / (s2 + s3), so the two larger values set the precision.
    """
    rng = np.random.default_rng(17)
    n = 200
    U, V = Rotation.random(n, rng=rng).as_matrix(), Rotation.random(n, rng=rng).as_matrix()
    for flatness in 10.0 ** -np.arange(13):
        cross = (U * [1.0, 0.6, 0.6 * flatness]) @ V.transpose(0, 2, 1)
        np.testing.assert_allclose(
            best_rotations(cross), U @ V.transpose(0, 2, 1), atol=1e-13, err_msg=f"{flatness}"
        )


def test_mirror_image_is_turned_and_never_reflected(draw_bones):
    """Every rotation has determinant +1, also where a reflection would fit perfectly."""
    X = draw_bones(np.random.default_rng(3), 30)
    model = GeneralizedProcrustes().fit(X)
    for given in (X, X @ MIRROR):
        aligned = model.transform(given)
        for before, after in zip(_standard(given), aligned, strict=True):
            turn = np.linalg.lstsq(before, after, rcond=None)[0]
            np.testing.assert_allclose(before @ turn, after, atol=1e-12)
            assert np.linalg.det(turn) == pytest.approx(1, abs=1e-10)


def test_many_at_once_is_one_at_a_time(draw_bones):
    """One call for all, mirror images among them, gives what separate calls give."""
    rng = np.random.default_rng(11)
    X = draw_bones(rng, 40)
    X[::3] = X[::3] @ MIRROR
    target = draw_bones(rng, 1)
    together = procrustes_distance(X, target)
    alone = [procrustes_distance(x[None], target)[0] for x in X]
    np.testing.assert_allclose(together, alone, rtol=0, atol=1e-14)
    model = GeneralizedProcrustes().fit(X)
    np.testing.assert_allclose(
        model.transform(X), np.concatenate([model.transform(x[None]) for x in X]), atol=1e-14
    )


def test_three_kinds_of_distance():
    """Dryden & Mardia (2016): rho, 2 sin(rho / 2) and sin(rho)."""
    A, B = np.random.default_rng(2).normal(size=(2, 50, 5, 3))
    rho = procrustes_distance(A, B)
    assert rho.max() <= np.pi / 2
    np.testing.assert_allclose(procrustes_distance(A, B, kind="partial"), 2 * np.sin(rho / 2))
    np.testing.assert_allclose(procrustes_distance(A, B, kind="full"), np.sin(rho))


def test_centroid_size_by_distances_between_landmarks():
    """Lagrange's identity: k CS^2 = sum of squared distances over all pairs."""
    X = np.random.default_rng(4).normal(size=(10, 6, 3))
    squares = ((X[:, :, None] - X[:, None]) ** 2).sum(axis=(1, 2, 3)) / 2
    np.testing.assert_allclose(centroid_size(X) ** 2, squares / 6)


# Kendall's shape space of triangles


def _complex(X):
    z = (X - X.mean(axis=-2, keepdims=True)) @ [1, 1j]
    return z / np.linalg.norm(z, axis=-1, keepdims=True)


def _on_sphere(X):
    """Kendall's sphere of radius 1/2: Helmert coordinates, then the Hopf map."""
    z = _complex(X)
    u = (z[..., 1] - z[..., 0]) / np.sqrt(2)
    w = (2 * z[..., 2] - z[..., 0] - z[..., 1]) / np.sqrt(6)
    cross = 2 * u * w.conj()
    return np.stack([abs(u) ** 2 - abs(w) ** 2, cross.real, cross.imag], axis=-1) / 2


_TURNS = 2 * np.pi * np.arange(3) / 3
EQUILATERAL = np.stack([np.cos(_TURNS), np.sin(_TURNS)], axis=1)


def test_flat_shapes_by_complex_numbers():
    """Kendall (1984): cos rho = |<z, w>| for centred complex unit vectors."""
    A, B = np.random.default_rng(7).normal(size=(2, 200, 6, 2))
    expected = np.arccos(np.abs((_complex(A) * _complex(B).conj()).sum(axis=1)))
    np.testing.assert_allclose(procrustes_distance(A, B), expected, atol=1e-10)


def test_triangles_lie_on_a_sphere_of_radius_one_half():
    """Kendall (1984): rho is the great-circle distance on a sphere of radius 1/2."""
    A, B = np.random.default_rng(9).normal(size=(2, 300, 3, 2))
    a, b = _on_sphere(A), _on_sphere(B)
    np.testing.assert_allclose(np.linalg.norm(a, axis=1), 0.5)
    angle = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), (a * b).sum(axis=1))
    np.testing.assert_allclose(procrustes_distance(A, B), angle / 2, atol=1e-10)


def test_equilateral_triangles_are_the_poles():
    """Kendall (1984): the two equilateral triangles lie opposite, pi/2 apart."""
    mirrored = EQUILATERAL * [1, -1]
    distance = procrustes_distance(EQUILATERAL[None], mirrored[None])[0]
    assert distance == pytest.approx(np.pi / 2, abs=1e-12)


def test_triangles_in_a_line_are_the_equator():
    """Kendall (1984): collinear triangles lie pi/4 from either pole."""
    rng = np.random.default_rng(10)
    along = rng.normal(size=(50, 3, 1)) * rng.normal(size=(50, 1, 2))
    np.testing.assert_allclose(procrustes_distance(along, EQUILATERAL[None]), np.pi / 4, atol=1e-12)


def test_flat_triangles_in_space_have_one_pole():
    """In three dimensions a triangle can be turned over: the sphere folds on its equator.

    Kendall (1984): Sigma_3^3 is a hemisphere, so nothing is further than pi/4 from the
    equilateral triangle.
    """
    X = np.random.default_rng(12).normal(size=(200, 3, 2))
    pole = np.column_stack([EQUILATERAL, np.zeros(3)])
    upper = np.minimum(
        procrustes_distance(X, EQUILATERAL[None]),
        procrustes_distance(X * [1, -1], EQUILATERAL[None]),
    )
    solid = np.concatenate([X, np.zeros((200, 3, 1))], axis=2)
    np.testing.assert_allclose(procrustes_distance(solid, pole[None]), upper, atol=1e-12)
    assert upper.max() <= np.pi / 4 + 1e-12


@pytest.mark.parametrize("k", [3, 4, 7])
def test_unrelated_flat_shapes_are_spread_evenly(k):
    """Kendall (1984): independent normal landmarks give uniform shapes.

    On complex projective space CP^(k-2) that makes sin^2 rho from any fixed shape a
    Beta(k - 2, 1) variable.
    """
    rng = np.random.default_rng(100 + k)
    X = rng.normal(size=(2000, k, 2))
    squared = procrustes_distance(X, rng.normal(size=(1, k, 2)), kind="full") ** 2
    assert stats.kstest(squared, stats.beta(k - 2, 1).cdf).pvalue > 0.01
