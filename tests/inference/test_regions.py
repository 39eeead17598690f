"""Regions: shares of the squared displacement, and their ranks among members."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.differences.prediction import predict_taxon
from morpho.inference.differences.regions import ELSEWHERE, region_displacements
from morpho.inference.models.design import InferenceError
from morpho.shape.superimposition import GeneralizedProcrustes

REGIONS = {"front": [0, 1, 2], "hind": [3, 4, 5, 6]}


@pytest.fixture
def bones(rng):
    """Known of two taxa, and a query of the first with the hind part moved."""
    mean = rng.normal(size=(9, 3))
    X = mean + 0.02 * rng.normal(size=(21, 9, 3))
    X[10:20] += 0.1 * rng.normal(size=(9, 3))
    X[20, 3:7] += 0.15 * rng.normal(size=(4, 3))
    aligned = GeneralizedProcrustes().fit(X[:20]).transform(X)
    return aligned[:20], np.repeat(["a", "b"], 10), aligned[20]


def test_shares_in_their_own_words(bones):
    X, labels, query = bones
    table = region_displacements(
        query, predict_taxon(X, labels, "a"), REGIONS, centroid_size_mm=30
    ).set_index("region")
    squares = ((query - X[:10].mean(axis=0)) ** 2).sum(axis=1)
    hind = squares[3:7].sum()
    assert table.index[0] == "hind"
    assert table.loc["hind", "share_of_displacement"] == pytest.approx(hind / squares.sum())
    assert table.loc["hind", "root_mean_square_mm"] == pytest.approx(30 * np.sqrt(hind / 4))
    assert table["points"].to_dict() == {"hind": 4, "front": 3, ELSEWHERE: 2}
    assert table.loc["hind", "share_of_points"] == pytest.approx(4 / 9)
    for name in ("share_of_displacement", "share_of_points", "share_expected"):
        assert table[name].sum() == pytest.approx(1)
    within = np.concatenate([X[:10] - X[:10].mean(axis=0), X[10:] - X[10:].mean(axis=0)])
    expected = (within**2).sum(axis=(0, 2))
    assert table.loc["front", "share_expected"] == pytest.approx(
        expected[:3].sum() / expected.sum()
    )
    assert table.loc["hind", "share_p_value"] == table.loc["hind", "rank_floor"] == 1 / 11
    assert table.loc["hind", "distance_p_value_all_taxa"] == pytest.approx(1 / 21)
    assert table.loc["hind", "rank_floor_all_taxa"] == pytest.approx(1 / 21)


def test_ranks_count_leave_one_out_shares(bones):
    """Every member in turn, the query too, against the mean of the others: the naive way."""
    X, labels, query = bones
    table = region_displacements(
        query, predict_taxon(X, labels, "a"), REGIONS, centroid_size_mm=30
    ).set_index("region")
    members = np.concatenate([X[:10], query[None]])
    apart = np.array(
        [((m - np.delete(members, i, 0).mean(0)) ** 2).sum(axis=1) for i, m in enumerate(members)]
    )
    for name, points in {**REGIONS, ELSEWHERE: [7, 8]}.items():
        own = apart[:, points].sum(axis=1)
        share = own / apart.sum(axis=1)
        assert table.loc[name, "distance_p_value"] == pytest.approx(
            (own >= own[-1] * (1 - 1e-9)).mean()
        )
        assert table.loc[name, "share_p_value"] == pytest.approx(
            (share >= share[-1] * (1 - 1e-9)).mean()
        )


def test_regions_may_overlap_and_may_cover_all(bones):
    X, labels, query = bones
    prediction = predict_taxon(X, labels, "a")
    table = region_displacements(
        query, prediction, {"all": range(9), "hind": [3, 4, 5, 6]}, centroid_size_mm=30
    ).set_index("region")
    assert list(table.index) == ["all", "hind"]
    assert table.loc["all", "share_of_displacement"] == pytest.approx(1)
    assert table.loc["all", "share_p_value"] == 1


def test_a_point_named_twice_counts_once(bones):
    X, labels, query = bones
    prediction = predict_taxon(X, labels, "a")
    once = region_displacements(query, prediction, {"r": [3, 4]}, centroid_size_mm=30)
    twice = region_displacements(query, prediction, {"r": [3, 4, 4]}, centroid_size_mm=30)
    assert once.equals(twice)


def test_no_displacement_has_no_shares(bones):
    X, labels, _ = bones
    prediction = predict_taxon(X, labels, "a")
    table = region_displacements(prediction.shape, prediction, REGIONS, centroid_size_mm=30)
    assert table["share_of_displacement"].isna().all()
    assert table["share_p_value"].isna().all()
    np.testing.assert_allclose(table["distance_p_value"], 1)


@pytest.mark.parametrize(
    ("regions", "message"),
    [
        ({}, "There is no region: name modules in the scheme"),
        ({"r": []}, "The region 'r' must be a list of points"),
        ({"r": ["tip"]}, "The region 'r' must be a list of points"),
        ({"r": [1, 9]}, r"The region 'r' holds point 9 \(counted from 0\), but there are 9"),
        ({"r": [-1]}, "The region 'r' holds point -1"),
        ({ELSEWHERE: [1]}, "must not be called 'in no region'"),
    ],
)
def test_regions_that_are_none_are_refused(bones, regions, message):
    X, labels, query = bones
    with pytest.raises(InferenceError, match=message):
        region_displacements(query, predict_taxon(X, labels, "a"), regions, centroid_size_mm=30)


def test_sizes_that_are_none_are_refused(bones):
    X, labels, query = bones
    with pytest.raises(InferenceError, match="centroid size must be positive"):
        region_displacements(query, predict_taxon(X, labels, "a"), REGIONS, centroid_size_mm=-1.0)
