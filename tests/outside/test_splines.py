"""Thin-plate splines against scipy, against calculus, and against a worked example."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from morpho.shape.thin_plate import ThinPlateSpline, bending_energy_matrix

KERNELS = pytest.mark.parametrize(("d", "kernel"), [(2, "thin_plate_spline"), (3, "linear")])


@KERNELS
@pytest.mark.parametrize("k", [6, 40, 200])
def test_spline_against_scipy(d, kernel, k):
    """RBFInterpolator with a polynomial of degree 1: r^2 log r in 2D, -r in 3D."""
    rng = np.random.default_rng(k)
    source = rng.normal(size=(k, d))
    target = source + 0.3 * rng.normal(size=(k, d))
    points = 3 * rng.normal(size=(500, d))
    expected = RBFInterpolator(source, target, kernel=kernel, degree=1)(points)
    found = ThinPlateSpline().fit(source, target).transform(points)
    np.testing.assert_allclose(found, expected, atol=1e-9)


@KERNELS
def test_bending_energy_against_scipy(d, kernel):
    """The matrix from scipy: column j holds the weights of a spline to the j-th unit vector.

    The weights are read off scipy's splines by evaluating them: of an affine map and k
    kernels, their values at k + d + 1 points tell the coefficients.
    """
    k = 9
    rng = np.random.default_rng(0)
    source, points = rng.normal(size=(k, d)), rng.normal(size=(k + d + 1, d))
    values = RBFInterpolator(source, np.eye(k), kernel=kernel, degree=1)(points)
    r = np.linalg.norm(points[:, None] - source, axis=2)
    kernels = r**2 * np.log(r) if d == 2 else -r
    terms = np.column_stack([kernels, np.ones(len(points)), points])
    weights = np.linalg.solve(terms, values)[:k]
    np.testing.assert_allclose(bending_energy_matrix(source), weights, rtol=1e-6, atol=1e-6)


def test_principal_warp_of_a_square():
    """Bookstein (1989): the square whose four corners move up and down in turn.

    A square with corners at (0, 1), (-1, 0), (0, -1), (1, 0) becomes a kite by moving its
    corners by a quarter, alternately up and down. The paper's numbers for this example are
    quoted from memory and derived here: its kernel U = r^2 log r^2 has the values 2 log 2 =
    1.3863 along the sides and 4 log 4 = 5.5452 across; the one principal warp is (1, -1, 1,
    -1)/2, the weights are +-0.25 / (4 log 2) = 0.0902, the affine part is the identity, and
    the bending energy is 4 x 0.25 x 0.0902. Ours has half of that kernel, so that weights
    and energy are twice as large.
    """
    source = np.array([[0, 1], [-1, 0], [0, -1], [1, 0]], float)
    alternate = np.array([1, -1, 1, -1])
    target = source - 0.25 * np.outer(alternate, [0, 1])
    np.testing.assert_allclose(target, [[0, 0.75], [-1, 0.25], [0, -1.25], [1, 0.25]])
    spline = ThinPlateSpline().fit(source, target)
    np.testing.assert_allclose(spline.affine_, [[0, 0], [1, 0], [0, 1]], atol=1e-12)
    weight = spline.weights_ / 2
    np.testing.assert_allclose(weight[:, 0], 0, atol=1e-12)
    np.testing.assert_allclose(weight[:, 1], -0.0902 * alternate, atol=5e-5)
    np.testing.assert_allclose(weight[:, 1], -alternate / (16 * np.log(2)), atol=1e-12)
    assert spline.bending_energy_ / 2 == pytest.approx(0.0902, abs=5e-5)
    values, vectors = np.linalg.eigh(bending_energy_matrix(source) / 2)
    np.testing.assert_allclose(values, [0, 0, 0, 1 / (4 * np.log(2))], atol=1e-12)
    np.testing.assert_allclose(np.abs(vectors[:, 3]), 0.5)
    np.testing.assert_allclose(vectors[:, 3] * np.sign(vectors[0, 3]), alternate / 2)


def test_bending_energy_is_the_integral_of_squared_curvature():
    """Duchon (1977): 8 pi tr(Y'BY) = integral of f_xx^2 + 2 f_xy^2 + f_yy^2 over the plane.

    By finite differences on a grid out to R = 60; second derivatives fall as 1 / r^2, so that
    the rest beyond is of the order of 1 / R^2.
    """
    rng = np.random.default_rng(2)
    source = rng.uniform(-1, 1, size=(7, 2))
    target = np.column_stack([rng.normal(size=7), np.zeros(7)])
    spline = ThinPlateSpline().fit(source, target)
    total, inner = 0.0, 0.0
    for half, cells in ((2, 1200), (8, 800), (60, 800)):
        h = 2 * half / cells
        middle = -half + h * (np.arange(cells) + 0.5)
        wide = np.concatenate([[middle[0] - h], middle, [middle[-1] + h]])
        grid = np.stack(np.meshgrid(wide, wide, indexing="ij"), axis=2)
        f = spline.transform(grid.reshape(-1, 2))[:, 0].reshape(cells + 2, cells + 2)
        f_xx = f[2:, 1:-1] - 2 * f[1:-1, 1:-1] + f[:-2, 1:-1]
        f_yy = f[1:-1, 2:] - 2 * f[1:-1, 1:-1] + f[1:-1, :-2]
        f_xy = (f[2:, 2:] - f[2:, :-2] - f[:-2, 2:] + f[:-2, :-2]) / 4
        bent = (f_xx**2 + 2 * f_xy**2 + f_yy**2) / h**2
        outside = np.maximum(*np.abs(np.meshgrid(middle, middle))) > inner
        total += float(bent[outside].sum())
        inner = half
    assert total == pytest.approx(8 * np.pi * spline.bending_energy_, rel=0.01)


def test_no_smoother_map_of_the_same_landmarks_bends_less():
    """Duchon (1977): among all maps through the landmarks the spline has least energy.

    Any spline with further landmarks also goes through the old ones.
    """
    rng = np.random.default_rng(3)
    for d in (2, 3):
        source, target = rng.normal(size=(2, 8, d))
        more = np.vstack([source, rng.normal(size=(4, d))])
        least = ThinPlateSpline().fit(source, target)
        along = ThinPlateSpline().fit(more, least.transform(more))
        assert along.bending_energy_ == pytest.approx(least.bending_energy_)
        beside = least.transform(more)
        beside[8:] += 0.1 * rng.normal(size=(4, d))
        assert ThinPlateSpline().fit(more, beside).bending_energy_ > least.bending_energy_
