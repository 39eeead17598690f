"""Mirror images and sides."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.symmetry import commoner_side, mirror


@pytest.mark.parametrize("shape", [(5, 3), (4, 5, 3), (2, 4, 5, 2)])
def test_mirroring_twice_changes_nothing(shape):
    X = np.random.default_rng(0).normal(size=shape)
    before = X.copy()
    once = mirror(X)
    np.testing.assert_array_equal(mirror(once), X)
    np.testing.assert_array_equal(X, before)
    np.testing.assert_array_equal(once[..., :-1], X[..., :-1])
    np.testing.assert_array_equal(once[..., -1], -X[..., -1])


def test_mirroring_keeps_gaps():
    X = np.ones((3, 3))
    X[1] = np.nan
    assert np.isnan(mirror(X)[1]).all()


@pytest.mark.parametrize(
    ("sides", "commoner"),
    [
        (["left", "left", "right"], "left"),
        (["right", "", "right", "left"], "right"),
        (["left", "right"], "left"),
        (["", ""], "left"),
        ([], "left"),
    ],
)
def test_commoner_side(sides, commoner):
    assert commoner_side(sides) == commoner
    assert commoner_side(iter(sides)) == commoner
