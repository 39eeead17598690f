"""A bone made symmetric is one observation: two mirror images are tested and counted once."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import false_discovery_control

from morpho.inference.data.mirror_images import mirror_images
from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.measurements import Measurement, all_distances, measure, ratios
from morpho.inference.differences.prediction import predict_taxon
from morpho.inference.differences.ranking import compare_measurements, values_at_size
from morpho.inference.differences.regions import region_displacements
from morpho.shape.orientation import axis_across
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.symmetry.partners import one_of_each_pair
from morpho.shape.symmetry.sides import symmetric_component

NAMES = ["roof", "floor", "back", "wing_l", "wing_r", "foot_l", "foot_r", "rib_l", "rib_r"]
PARTNERS = np.array([0, 1, 2, 4, 3, 6, 5, 8, 7])
COUNTED = [0, 1, 2, 3, 5, 7]
TAXA = np.repeat(["a", "b"], 10)


@pytest.fixture
def bones():
    """Twenty known specimens and a query, as found and made symmetric; x leads across."""
    rng = np.random.default_rng(11)
    half = rng.normal(size=(9, 3)) * [0.5, 1, 1] + [1, 0, 0]
    base = np.where(np.arange(9)[:, None] < 3, half * [0, 1, 1], half)
    base[[4, 6, 8]] = base[[3, 5, 7]] * [-1, 1, 1]
    raw = base + 0.05 * rng.normal(size=(21, 9, 3))
    X = symmetric_component(raw, PARTNERS)
    fit = GeneralizedProcrustes().fit(X[:20])
    return raw, fit.transform(X)


def test_one_of_each_pair_is_counted():
    assert np.flatnonzero(one_of_each_pair(PARTNERS, 9)).tolist() == COUNTED
    assert one_of_each_pair(None, 4).all()
    # a landmark whose partner is gone stands for itself
    assert one_of_each_pair([0, 1], 2).all()


def test_mirror_images_are_one_test_in_the_adjustment(bones):
    """Adjusted by scipy over six p-values, not over nine; both sides of a pair show the same."""
    X = bones[1]
    found = displacement(
        X[20], predict_taxon(X[:20], TAXA, "a"), centroid_size_mm=10, names=NAMES, partners=PARTNERS
    )
    table = found.table.set_index("landmark")
    once = [NAMES[i] for i in COUNTED]
    assert table.index[table["counted"]].sort_values().tolist() == sorted(once)
    for left, right in (("wing_l", "wing_r"), ("foot_l", "foot_r"), ("rib_l", "rib_r")):
        assert table.loc[left, "p_value"] == pytest.approx(table.loc[right, "p_value"], rel=1e-6)
        for column in ("p_value_false_discovery", "rank"):
            assert table.loc[left, column] == table.loc[right, column]
    expected = false_discovery_control(table.loc[once, "p_value"])
    np.testing.assert_allclose(table.loc[once, "p_value_false_discovery"], expected)
    assert sorted(set(table["rank"])) == [1, 2, 3, 4, 5, 6]
    assert table["rank"].is_monotonic_increasing
    assert found.share_of_fits_differing == pytest.approx(table.loc[once, "fits_differ"].mean())
    twice = displacement(
        X[20], predict_taxon(X[:20], TAXA, "a"), centroid_size_mm=10, names=NAMES
    ).table.set_index("landmark")
    assert twice["counted"].all()
    assert not np.allclose(
        twice["p_value_false_discovery"], table["p_value_false_discovery"][twice.index]
    )


def test_a_region_holds_one_of_each_pair(bones):
    """Whichever side the scheme names; two that mirror each other are one row under both names."""
    X = bones[1]
    prediction = predict_taxon(X[:20], TAXA, "a")
    regions = {"left": [3, 5], "right": [4, 6], "top": [0, 8]}
    table = region_displacements(
        X[20], prediction, regions, centroid_size_mm=10, partners=PARTNERS
    ).set_index("region")
    assert table["points"].to_dict() == {"left, right": 2, "top": 2, "in no region": 2}
    squares = (prediction.deviation(X[20]) ** 2).sum(axis=1)
    whole = squares[COUNTED].sum()
    for name, points in (("left, right", [3, 5]), ("top", [0, 7]), ("in no region", [1, 2])):
        share = squares[points].sum() / whole
        assert table.loc[name, "share_of_displacement"] == pytest.approx(share)
        assert table.loc[name, "root_mean_square_mm"] == pytest.approx(
            10 * np.sqrt(squares[points].mean())
        )
    assert table["share_of_points"].sum() == pytest.approx(1)
    expected = false_discovery_control(table["share_p_value_all_taxa"])
    np.testing.assert_allclose(table["share_p_value_false_discovery"], expected)


def test_of_two_measurements_that_mirror_each_other_the_first_is_kept():
    """Counted by hand: 36 distances, 6 of them their own image, so 6 + 15 are left."""
    distances = all_distances(NAMES)
    kept, images = mirror_images(distances, PARTNERS, NAMES)
    own = [m.name for m, image in zip(kept, images, strict=True) if image is None]
    assert own == [
        "roof to floor", "roof to back", "floor to back", "wing_l to wing_r", "foot_l to foot_r",
        "rib_l to rib_r",
    ]  # fmt: skip
    assert len(kept) == 6 + (36 - 6) / 2
    named = dict(zip([m.name for m in kept], images, strict=True))
    assert named["roof to wing_l"].name == "roof to wing_r"
    assert named["wing_l to foot_r"].name == "wing_r to foot_l"
    angles = [
        Measurement("one", (0, 3, 1)),
        Measurement("two", (1, 4, 0)),
        Measurement("x", (3, 0, 4)),
    ]
    kept, images = mirror_images(angles, PARTNERS, NAMES)
    assert [m.name for m in kept] == ["one", "x"]
    assert images[1] is None
    relative = ratios(distances, Measurement("height", (0, 1)))
    assert len(mirror_images(relative, PARTNERS, NAMES)[0]) == 5 + 15


def test_a_measurement_is_the_mean_of_both_sides_or_the_side_that_is_there(bones):
    raw = bones[0].copy()
    raw[1, 4] = np.nan
    raw[2, [3, 4]] = np.nan
    kept, images = mirror_images([Measurement("wing", (0, 3))], PARTNERS, NAMES)
    found = measure(raw, kept, images)[:, 0]
    left = np.linalg.norm(raw[:, 0] - raw[:, 3], axis=1)
    right = np.linalg.norm(raw[:, 0] - raw[:, 4], axis=1)
    np.testing.assert_allclose(found[3:], (left[3:] + right[3:]) / 2)
    assert found[1] == pytest.approx(left[1])
    assert np.isnan(found[2])


def test_differences_are_told_in_the_unit_and_in_percent():
    """Against the mean of the nearest taxon, with its sign; of angles no percent."""
    known = np.array(
        [[10.0, 30.0], [11.0, 31.0], [12.0, 32.0], [20.0, 60.0], [21.0, 61.0], [22.0, 62.0]]
    )
    named = [Measurement("long", (0, 1)), Measurement("bend", (0, 1, 2))]
    asked = [[8.8, 70.0], [16.0, 30.5]]
    taxa = ["a"] * 3 + ["b"] * 3
    for m, column in ((named[0], 0), (named[1], 1)):
        found = compare_measurements(
            known[:, [column]], [m], taxa, np.array(asked)[:, [column]], names=["p", "q"]
        )
        ranking = found.ranking.set_index("query")
        if column == 0:
            assert ranking.loc["p", ["nearest_taxon", "nearest_mean"]].tolist() == ["a", 11.0]
            assert ranking.loc["p", "difference"] == pytest.approx(-2.2)
            assert ranking.loc["p", "difference_percent"] == pytest.approx(-20)
            assert ranking["beside_ranges"].to_dict() == {"p": "below all", "q": "between"}
        else:
            assert ranking.loc["p", "difference"] == pytest.approx(9.0)
            assert ranking["difference_percent"].isna().all()
            assert ranking["beside_ranges"].to_dict() == {"p": "above all", "q": ""}
        beside = found.taxa.set_index(["query", "taxon"])
        assert beside.loc[("q", "b"), "difference"] == pytest.approx(
            asked[1][column] - known[3:, column].mean()
        )


def test_members_at_the_size_of_a_query_end_where_its_ranges_do(bones):
    """Least and largest of them, by pandas, are the ranges that the query is held against."""
    rng = np.random.default_rng(3)
    size = rng.normal(3, 0.2, 20)
    chosen = [*all_distances(NAMES)[:4]]
    X = bones[0] * np.exp(np.append(size, 2.9))[:, None, None]
    y = measure(X, chosen)
    found = compare_measurements(
        y[:20], chosen, TAXA, y[20:], log_size=size, query_log_size=[2.9]
    ).taxa.set_index(["measurement", "taxon"])
    moved = pd.DataFrame(
        values_at_size(y[:20], chosen, TAXA, size, 2.9), columns=[m.name for m in chosen]
    )
    ends = moved.groupby(TAXA).agg(["min", "max"])
    for (name, taxon), row in found.iterrows():
        assert row["minimum"] == pytest.approx(ends.loc[taxon, (name, "min")], rel=1e-9)
        assert row["maximum"] == pytest.approx(ends.loc[taxon, (name, "max")], rel=1e-9)
    assert np.abs(moved - y[:20]).to_numpy().max() > 1


def test_the_axis_across_is_that_of_left_and_right(bones):
    mean = bones[0].mean(axis=0)
    mean = (mean + mean[PARTNERS] * [-1, 1, 1]) / 2
    axis, outward = axis_across(mean[:, [1, 0, 2]], PARTNERS)
    assert axis == 1
    assert outward.tolist() == [0, 0, 0, 1, -1, 1, -1, 1, -1]
    turn = np.array([[1, -1, 0], [1, 1, 0], [0, 0, np.sqrt(2)]]) / np.sqrt(2)
    assert axis_across(mean @ turn, PARTNERS) is None
    assert axis_across(mean, np.arange(9)) is None
