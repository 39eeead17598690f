"""Dimensions in which specimens spread: by hand, by the unbiased trace, and at its edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis

from morpho.inference.models.distances import effective_dimensions, squared_mahalanobis


@pytest.mark.parametrize(
    ("rows", "v", "expected"), [(3, 4, 27 / 2), (3, 5, 42 / 5), (2, 3, 20 / 3)]
)
def test_orthonormal_residuals_by_hand(rows, v, expected):
    """(tr S)^2 over Srivastava's estimate, with tr S = k / v and tr S^2 = k / v^2 for k rows.

    The estimate is v^2 / ((v - 1)(v + 2)) (tr S^2 - (tr S)^2 / v), so that the ratio is
    k (v - 1)(v + 2) / (v (v - k)).
    """
    assert effective_dimensions(np.eye(rows, 6), v) == pytest.approx(expected)
    # fewer variables than specimens: the other product, the same traces
    assert effective_dimensions(np.eye(6, rows), v) == pytest.approx(expected)


def test_the_trace_of_the_squared_covariance_is_unbiased():
    """Srivastava (2005), Journal of the Japan Statistical Society 35, 251-272, from memory.

    Few specimens, unequal variances: the trace that the number of dimensions is made of is
    right on average. Without the correction it would be twice too large, and a mean of 4000
    draws lies within 3 %.
    """
    rng = np.random.default_rng(3)
    variances = np.linspace(0.5, 2, 20)
    traces = []
    for _ in range(4000):
        R = rng.normal(size=(8, 20)) * np.sqrt(variances)
        trace = (R**2).sum() / 8
        traces.append(trace**2 / effective_dimensions(R, 8))
    assert np.mean(traces) == pytest.approx((variances**2).sum(), rel=0.03)


def test_no_fewer_than_one_dimension():
    """One direction has (v + 2) / v by the formula above; one specimen and no spread have 1."""
    line = np.outer([1.0, -2.0, 1.0], [1.0, 2.0])
    assert effective_dimensions(line, 2) == pytest.approx(2)
    assert effective_dimensions(line, 20) == pytest.approx(1.1)
    assert effective_dimensions([[1.0, 1.0]], 1) == 1
    assert effective_dimensions(np.zeros((3, 4)), 2) == 1


def test_no_unit_and_no_turn_matters():
    rng = np.random.default_rng(4)
    R = rng.normal(size=(9, 5)) * [4, 3, 2, 1, 1]
    turn = np.linalg.qr(rng.normal(size=(5, 5)))[0]
    expected = effective_dimensions(R, 8)
    assert 1 < expected < 5
    assert effective_dimensions(1000 * R @ turn, 8) == pytest.approx(expected)


def test_squared_mahalanobis_against_scipy(rng):
    rest, z = rng.normal(size=(20, 3)), rng.normal(size=(4, 2, 3))
    inverse = np.linalg.inv(rest.T @ rest / 17)
    expected = [[mahalanobis(e, np.zeros(3), inverse) ** 2 for e in row] for row in z]
    np.testing.assert_allclose(squared_mahalanobis(rest, z, 17), expected)


@pytest.mark.parametrize("v", [2, 17])
def test_squared_mahalanobis_of_a_singular_covariance_is_missing(rng, v):
    """Too few degrees of freedom, or residuals in a plane: missing for each query and taxon."""
    rest, z = rng.normal(size=(20, 3)), rng.normal(size=(4, 2, 3))
    rest[:, 2] = 0
    found = squared_mahalanobis(rest, z, v)
    assert found.shape == (4, 2)
    assert np.isnan(found).all()
