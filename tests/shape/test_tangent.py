"""Tangent space: the way there and back, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import GeneralizedProcrustes, procrustes_distance
from morpho.shape.tangent import TangentSpace


@pytest.fixture
def aligned(make_bones):
    return GeneralizedProcrustes().fit_transform(make_bones())


def test_tangent_coordinates_are_square_to_the_pole(aligned):
    space = TangentSpace().fit(aligned)
    V = space.transform(aligned)
    assert V.shape == (12, 21)
    np.testing.assert_allclose(V @ space.pole_.ravel(), 0, atol=1e-15)
    assert np.linalg.norm(space.pole_) == pytest.approx(1)


def test_length_is_the_sine_of_the_angle_from_the_pole(aligned):
    """Dryden & Mardia (2016): partial tangent coordinates have length sin(rho)."""
    space = TangentSpace().fit(aligned)
    rho = procrustes_distance(aligned, space.pole_[None])
    lengths = np.linalg.norm(space.transform(aligned), axis=1)
    np.testing.assert_allclose(lengths, np.sin(rho), rtol=1e-3)


def test_there_and_back(aligned):
    space = TangentSpace().fit(aligned)
    np.testing.assert_allclose(
        space.inverse_transform(space.transform(aligned)), aligned, atol=1e-14
    )
    pole = space.inverse_transform(np.zeros(21))
    assert pole.shape == (1, 7, 3)
    np.testing.assert_allclose(pole[0], space.pole_, atol=1e-15)


def test_a_given_pole_is_used_and_brought_to_unit_size(aligned):
    space = TangentSpace(pole=3 * aligned[0]).fit(aligned)
    np.testing.assert_allclose(space.pole_, aligned[0], atol=1e-15)
    np.testing.assert_allclose(space.transform(aligned)[0], 0, atol=1e-15)


def test_identical_specimens_are_all_zero(aligned):
    same = aligned[:1].repeat(4, axis=0)
    np.testing.assert_allclose(TangentSpace().fit_transform(same), 0, atol=1e-15)


def test_refusals(aligned):
    with pytest.raises(
        ShapeError, match=r"`pole` must have shape \(7, 3\), but has shape \(6, 3\)"
    ):
        TangentSpace(pole=aligned[0, :6]).fit(aligned)
    space = TangentSpace().fit(aligned)
    with pytest.raises(ShapeError, match="must have 7 landmarks, but has 6"):
        space.transform(aligned[:, :6])
    with pytest.raises(ShapeError, match="longer than 1"):
        space.inverse_transform(np.full(21, 0.3))
    with pytest.raises(ShapeError, match="must have shape"):
        space.transform(aligned[0])


def test_other_dimensions_are_refused(aligned):
    space = TangentSpace().fit(aligned)
    with pytest.raises(ShapeError, match="must have 3 dimensions, but has 2"):
        space.transform(aligned[..., :2])


@pytest.mark.parametrize("value", [0.0, np.nan])
def test_a_pole_without_size_is_refused(aligned, value):
    with pytest.raises(ShapeError, match="`pole`"):
        TangentSpace(pole=np.full((7, 3), value)).fit(aligned)


@pytest.mark.parametrize("method", ["transform", "inverse_transform"])
def test_use_before_fit(aligned, method):
    with pytest.raises(NotFittedError, match="not fitted yet"):
        getattr(TangentSpace(), method)(aligned)


def test_clone_keeps_the_pole_asked_for(aligned):
    pole = aligned[0]
    copy = clone(TangentSpace(pole=pole).fit(aligned))
    np.testing.assert_array_equal(copy.get_params()["pole"], pole)
    assert not hasattr(copy, "pole_")
