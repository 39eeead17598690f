"""Distances in standard deviations by scipy, and how far out a member would lie."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis
from scipy.stats import f as f_distribution
from scipy.stats import ttest_ind

from morpho.inference.models.distances import squared_mahalanobis, typicality


def test_typicality_of_one_variable_is_a_t_test(rng):
    """One new observation against a sample: Student's t for samples of 1 and n."""
    known, new = rng.normal(size=9), 1.7
    squared = (new - known.mean()) ** 2 / known.var(ddof=1)
    expected = ttest_ind([new], known).pvalue
    assert float(typicality(squared, 1, 8, 1 / 9)) == pytest.approx(expected)


def test_typicality_in_its_own_words():
    p, v, h, squared = 3, 20, 0.1, 7.0
    F = squared / 1.1 * 18 / 60
    assert float(typicality(squared, p, v, h)) == pytest.approx(f_distribution.sf(F, 3, 18))


def test_typicality_with_just_enough_and_too_few_degrees_of_freedom():
    assert np.isfinite(typicality([1.0, 2.0], 3, 3, 0.1)).all()
    assert np.isnan(typicality([1.0, 2.0], 3, 2, 0.1)).all()


def test_typicality_falls_with_distance_and_rises_with_leverage():
    assert (np.diff(typicality([0.0, 1, 4, 9], 2, 20, 0.1)) < 0).all()
    assert (np.diff(typicality(4.0, 2, 20, [0.0, 0.1, 1.0])) > 0).all()


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
