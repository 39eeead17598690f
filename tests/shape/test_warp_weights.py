"""Weights of thin-plate splines against the splines themselves."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.checks import ShapeError
from morpho.shape.thin_plate import ThinPlateSpline
from morpho.shape.warp_weights import warp_weights


@pytest.mark.parametrize("d", [2, 3])
def test_weights_give_what_the_spline_gives(d):
    rng = np.random.default_rng(d)
    sources, points = rng.normal(size=(4, 9, d)), rng.normal(size=(4, 3, d))
    sources, points = 30 * sources + 100, 30 * points + 100
    target = rng.normal(size=(9, d))
    weights = warp_weights(sources, points)
    np.testing.assert_allclose(weights.sum(axis=2), 1)
    for w, s, p in zip(weights, sources, points, strict=True):
        np.testing.assert_allclose(
            w @ target, ThinPlateSpline().fit(s, target).transform(p), atol=1e-9
        )


def test_landmarks_land_on_the_target():
    sources = np.random.default_rng(0).normal(size=(2, 6, 3))
    weights = warp_weights(sources, sources[:, :4])
    np.testing.assert_allclose(weights, np.repeat(np.eye(6)[None, :4], 2, axis=0), atol=1e-10)


def test_two_landmarks_at_one_place():
    sources = np.random.default_rng(0).normal(size=(1, 6, 3))
    sources[0, 1] = sources[0, 0]
    with pytest.raises(ShapeError, match="in one plane, or two at one place"):
        warp_weights(sources, sources[:, :1])
