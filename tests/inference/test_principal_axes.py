"""Principal axes by the smaller matrix of products, against scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.decomposition import PCA

from morpho.inference.models.principal_axes import narrow, principal_axes


@pytest.mark.parametrize("shape", [(5, 40), (12, 12), (40, 5), (1, 3)])
def test_narrow_rows_have_the_same_inner_products(rng, shape):
    Y = rng.normal(size=shape)
    small = narrow(Y)
    assert small.shape == (shape[0], min(shape))
    np.testing.assert_allclose(small @ small.T, Y @ Y.T, atol=1e-12)


@pytest.mark.parametrize("shape", [(9, 40), (40, 9)])
def test_first_axes_are_those_of_scikit_learn(rng, shape):
    Y = rng.normal(size=shape) * np.geomspace(3, 0.2, shape[1]) + 7
    ours, theirs = principal_axes(Y, 3), PCA(3, svd_solver="full").fit(Y).components_.T
    np.testing.assert_allclose(np.abs(ours.T @ theirs), np.eye(3), atol=1e-10)
    np.testing.assert_allclose(ours.T @ ours, np.eye(3), atol=1e-12)


def test_no_more_axes_than_specimens_and_none_lost_where_nothing_varies(rng):
    assert principal_axes(rng.normal(size=(4, 9)), 7).shape == (9, 4)
    flat = principal_axes(np.ones((4, 9)), 2)
    np.testing.assert_allclose(flat.T @ flat, np.eye(2), atol=1e-12)
