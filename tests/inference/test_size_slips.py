"""Sizes that cannot be right."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.data.screening import _size_slips


def sample(rng, n=10, spread=0.05):
    taxa = np.repeat(["coast", "pygmy"], n)
    sizes = np.repeat([20.0, 12.0], n) * np.exp(spread * rng.normal(size=2 * n))
    return sizes, taxa, np.ones(2 * n, dtype=bool)


@pytest.mark.parametrize("factor", [10, 25.4, 100, 1000])
@pytest.mark.parametrize("up", [True, False])
def test_a_slip_of_unit_is_named_with_its_factor(rng, factor, up):
    sizes, taxa, own = sample(rng)
    sizes[3] *= factor if up else 1 / factor
    (row,) = _size_slips(sizes, taxa, own)
    assert (row["digitisation"], row["kind"], row["factor"]) == (3, "size", factor)
    assert row["distance_before"] > row["threshold"] > row["distance_after"]
    assert row["times_usual"] == pytest.approx(factor if up else 1 / factor, rel=0.15)


def test_an_outlier_that_is_no_slip_of_unit(rng):
    sizes, taxa, own = sample(rng)
    sizes[3] *= 4
    (row,) = _size_slips(sizes, taxa, own)
    assert row["distance_before"] == row["distance_after"]
    assert np.isnan(row["factor"])
    assert row["distance_before"] == pytest.approx(np.log(4), abs=0.15)


def test_juveniles_and_samples_that_vary_widely_pass(rng):
    sizes, taxa, own = sample(rng)
    sizes[:3] *= 0.6
    assert _size_slips(sizes, taxa, own) == []
    sizes, taxa, own = sample(rng, n=40, spread=0.8)  # mice to cats
    assert _size_slips(sizes, taxa, own) == []


def test_a_query_is_held_against_every_taxon(rng):
    sizes, taxa, own = sample(rng)
    own[15] = False
    sizes[15] = 21.0  # far from the pygmies that it is nearest to in shape, but not from all
    taxa[15] = "pygmy"
    assert _size_slips(sizes, taxa, own) == []
    sizes[15] = 210.0
    assert [row["digitisation"] for row in _size_slips(sizes, taxa, own)] == [15]


def test_nothing_to_compare_and_no_sizes(rng):
    sizes, taxa, own = sample(rng)
    assert _size_slips(np.full(20, np.nan), taxa, own) == []
    sizes[5] = np.nan
    assert _size_slips(sizes, taxa, own) == []
