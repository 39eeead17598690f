"""Thin-plate splines: what they must do whatever the data, and what they refuse."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from sklearn.base import clone

from morpho.shape.checks import ShapeError
from morpho.shape.thin_plate import ThinPlateSpline, bending_energy_matrix

DIMENSIONS = pytest.mark.parametrize("d", [2, 3])


@pytest.fixture
def points():
    def make(k, d, seed=0):
        return np.random.default_rng(seed).normal(size=(k, d))

    return make


@DIMENSIONS
def test_landmarks_go_exactly_to_their_targets(points, d):
    source, target = points(15, d), points(15, d, seed=1)
    spline = ThinPlateSpline().fit(source, target)
    np.testing.assert_allclose(spline.transform(source), target, atol=1e-12)
    np.testing.assert_allclose(spline.fit_transform(source, target), target, atol=1e-12)


@DIMENSIONS
def test_bending_energy_is_a_positive_form_without_its_affine_part(points, d):
    source = points(12, d)
    B = bending_energy_matrix(source)
    np.testing.assert_array_equal(B, B.T)
    values = np.linalg.eigvalsh(B)
    np.testing.assert_allclose(values[: d + 1], 0, atol=1e-12 * values[-1])
    assert (values[d + 1 :] > 1e-3 * values[-1]).all()
    affine = source @ points(d, d, seed=2) + points(1, d, seed=3)
    np.testing.assert_allclose(B @ affine, 0, atol=1e-10 * values[-1])


@DIMENSIONS
def test_an_affine_change_bends_nothing_and_is_followed_everywhere(points, d):
    source, linear, offset = points(9, d), points(d, d, seed=2), points(1, d, seed=3)[0]
    spline = ThinPlateSpline().fit(source, source @ linear + offset)
    far = 100 * points(20, d, seed=4)
    np.testing.assert_allclose(spline.transform(far), far @ linear + offset, atol=1e-9)
    np.testing.assert_allclose(spline.affine_, np.vstack([offset, linear]), atol=1e-12)
    assert spline.bending_energy_ == pytest.approx(0, abs=1e-12)


@DIMENSIONS
def test_energy_of_the_spline_is_that_of_the_matrix(points, d):
    source, target = points(11, d), points(11, d, seed=1)
    energy = np.trace(target.T @ bending_energy_matrix(source) @ target)
    assert ThinPlateSpline().fit(source, target).bending_energy_ == pytest.approx(energy)
    # by symmetry of the three coordinates, a turned target bends as much
    turned = target @ np.linalg.qr(points(d, d, seed=5))[0]
    assert ThinPlateSpline().fit(source, turned).bending_energy_ == pytest.approx(energy)


@DIMENSIONS
def test_far_from_the_origin_nothing_is_lost(points, d):
    """A scanner's frame may begin metres away from the bone."""
    source, target, some = points(14, d), points(14, d, seed=1), points(30, d, seed=2)
    near = ThinPlateSpline().fit(source, target)
    far = ThinPlateSpline().fit(source + 1e5, target - 1e5)
    np.testing.assert_allclose(far.transform(some + 1e5) + 1e5, near.transform(some), atol=1e-8)
    assert far.bending_energy_ == pytest.approx(near.bending_energy_, rel=1e-8)


@pytest.mark.parametrize("scale", [1e-3, 1, 1e3])
@DIMENSIONS
def test_the_unit_does_not_matter(points, d, scale):
    source, target, some = points(14, d), points(14, d, seed=1), points(30, d, seed=2)
    one = ThinPlateSpline().fit(source, target).transform(some)
    other = ThinPlateSpline().fit(scale * source, scale * target).transform(scale * some)
    np.testing.assert_allclose(other / scale, one, atol=1e-9)


@DIMENSIONS
def test_the_jacobian_is_the_slope_of_the_spline(points, d):
    spline = ThinPlateSpline().fit(points(10, d), points(10, d, seed=1))
    at, h = points(25, d, seed=2), 1e-5
    steps = [spline.transform(at + h * e) - spline.transform(at - h * e) for e in np.eye(d)]
    slope = np.stack(steps, axis=2) / (2 * h)
    np.testing.assert_allclose(spline.jacobian(at), slope, atol=1e-5)


@DIMENSIONS
def test_the_jacobian_is_finite_at_landmarks(points, d):
    source = points(10, d)
    spline = ThinPlateSpline().fit(source, points(10, d, seed=1))
    assert np.isfinite(spline.jacobian(source)).all()


@DIMENSIONS
def test_as_few_landmarks_as_an_affine_map_needs(points, d):
    source, target = points(d + 1, d), points(d + 1, d, seed=1)
    np.testing.assert_array_equal(bending_energy_matrix(source), np.zeros((d + 1, d + 1)))
    spline = ThinPlateSpline().fit(source, target)
    np.testing.assert_allclose(spline.transform(source), target, atol=1e-12)
    assert spline.bending_energy_ == 0


def test_many_points_need_little_memory(points):
    spline = ThinPlateSpline().fit(points(100, 3), points(100, 3, seed=1))
    many = points(50_000, 3, seed=2)
    tracemalloc.start()
    try:
        spline.transform(many)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 10 * many.nbytes  # all distances at once would take 33 times as much


def test_points_in_blocks_are_as_points_alone(points):
    spline = ThinPlateSpline().fit(points(100, 3), points(100, 3, seed=1))
    many = points(6_001, 3, seed=2)
    alone = np.concatenate([spline.transform(p[None]) for p in many[::500]])
    np.testing.assert_allclose(spline.transform(many)[::500], alone, atol=1e-13)
    assert spline.transform(np.empty((0, 3))).shape == (0, 3)


def test_it_keeps_to_the_conventions_of_estimators(points):
    assert clone(ThinPlateSpline()).get_params() == {}
    with pytest.raises(Exception, match="not fitted"):
        ThinPlateSpline().transform(points(3, 3))


def test_coincident_landmarks_are_named(points):
    source = points(8, 3)
    source[6] = source[2]
    with pytest.raises(ShapeError, match=r"Landmarks 2 and 6 of `source`.*at one place: "):
        ThinPlateSpline().fit(source, points(8, 3))
    source[5] = source[2] + 1e-12
    with pytest.raises(ShapeError, match=r"Landmarks 2 and 5 of `reference`.*and 2 more pairs"):
        bending_energy_matrix(source)


@pytest.mark.parametrize(("d", "word"), [(2, "straight line"), (3, "plane")])
def test_flat_sources_are_refused(points, d, word):
    source = points(8, d)
    source[:, -1] = source[:, 0] + 3
    with pytest.raises(ShapeError, match=f"All 8 landmarks of `source` lie in one {word}"):
        ThinPlateSpline().fit(source, points(8, d))


def test_arrays_that_do_not_fit_are_refused(points):
    with pytest.raises(ShapeError, match="needs at least 4 landmarks, but `source` has 3"):
        ThinPlateSpline().fit(points(3, 3), points(3, 3))
    with pytest.raises(ShapeError, match="the same landmarks, but have 8 and 7"):
        ThinPlateSpline().fit(points(8, 3), points(7, 3))
    with pytest.raises(ShapeError, match=r"`target` must have shape .* with 3 dimensions"):
        ThinPlateSpline().fit(points(8, 3), points(8, 2))
    with pytest.raises(ShapeError, match="with 2 or 3 dimensions"):
        bending_energy_matrix(points(8, 4))
    gap = points(8, 3)
    gap[3, 1] = np.nan
    with pytest.raises(ShapeError, match=r"`target` has missing .* landmarks \[3\]"):
        ThinPlateSpline().fit(points(8, 3), gap)
    spline = ThinPlateSpline().fit(points(8, 3), points(8, 3, seed=1))
    with pytest.raises(ShapeError, match=r"`points` has missing .* landmarks \[3\]"):
        spline.transform(gap)
