"""Median configurations that digitisations are screened by."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi

from morpho.inference.data.medians import References, _median_of_chi


def test_each_taxon_has_the_reference_of_its_own(rng):
    """Two taxa that differ in one landmark alone: each reference lies at its taxon's own place."""
    bone = rng.normal(size=(9, 3))
    other = bone.copy()
    other[4] += [0.8, 0, 0]
    forms = np.repeat([bone, other], 8, axis=0)
    X = forms + 0.003 * rng.normal(size=forms.shape)
    taxa = np.repeat(["coast", "marsh"], 8).astype(object)
    references = References(X, taxa, np.ones(16, dtype=bool))
    moved = np.linalg.norm(references.medians[1] - references.medians[0], axis=1)
    assert moved.argmax() == 4
    assert moved[4] > 5 * np.median(np.delete(moved, 4))
    assert references.taxon_used.tolist() == taxa.tolist()
    # a bone held against the other taxon would lie far beyond
    assert references.distance.max() < references.limit


@pytest.mark.parametrize("dimension", [1, 2, 3, 7])
def test_the_median_of_chi_is_that_of_scipy(dimension):
    assert _median_of_chi(dimension) == chi.median(dimension)
