"""Measurements between landmarks, and their ranking."""

from __future__ import annotations

from time import process_time

import numpy as np
import pytest
from scipy.spatial.distance import pdist

from morpho.inference.differences.measurements import (
    Measurement,
    all_distances,
    measure,
    named_measurement,
    ratios,
    taxon_measurements,
)
from morpho.inference.differences.ranking import compare_measurements
from morpho.inference.models.design import InferenceError

# ---------------------------------------------------------------- measuring


def test_all_distances_are_those_of_scipy(rng):
    X = rng.normal(size=(4, 7, 3))
    found = measure(X, all_distances(list("abcdefg")))
    np.testing.assert_allclose(found, [pdist(x) for x in X])


def test_only_chosen_landmarks_take_part():
    found = all_distances(["tip", "curve.1", "base", "notch"], use=["notch", "tip", "base"])
    assert [(m.name, m.points) for m in found] == [
        ("notch to tip", (3, 0)),
        ("notch to base", (3, 2)),
        ("tip to base", (0, 2)),
    ]


def test_angles_small_flat_and_right():
    """To rounding also where the arc cosine would lose half of the digits."""
    for degrees in (1e-7, 30.0, 90.0, 180.0 - 1e-7, 180.0):
        t = np.radians(degrees)
        X = np.array([[[5.0, 0, 0], [0, 0, 0], [2 * np.cos(t), 2 * np.sin(t), 0]]])
        assert measure(X, [Measurement("a", (0, 1, 2))])[0, 0] == pytest.approx(degrees, rel=1e-9)


def test_missing_landmarks_blank_their_measurements_only(rng):
    X = rng.normal(size=(2, 4, 3))
    X[0, 3] = np.nan
    X[1, 2, 1] = np.nan
    chosen = [Measurement("d", (0, 1)), Measurement("e", (1, 3)), Measurement("f", (0, 2, 1)),
              Measurement("g", (0, 1, 1, 3))]  # fmt: skip
    assert np.isnan(measure(X, chosen)).tolist() == [[False, True, False, True],
                                                     [False, False, True, False]]  # fmt: skip


def test_lengths_of_zero_give_no_angle_and_no_ratio():
    X = np.array([[[0.0, 0, 0], [0, 0, 0], [1, 0, 0]]])
    found = measure(
        X,
        [
            Measurement("distance", (0, 1)),
            Measurement("angle", (0, 1, 2)),
            Measurement("by zero", (0, 2, 0, 1)),
            Measurement("zero", (0, 1, 0, 2)),
        ],
    )
    np.testing.assert_array_equal(found, [[0, np.nan, np.nan, 0]])


def test_ratios_leave_out_the_standard_and_what_is_no_distance():
    distances = [*all_distances(list("abc")), Measurement("corner", (0, 1, 2))]
    found = ratios(distances, distances[1])
    assert [(m.name, m.points, m.kind) for m in found] == [
        ("a to b by a to c", (0, 1, 0, 2), "ratio"),
        ("b to c by a to c", (1, 2, 0, 2), "ratio"),
    ]


def test_measurements_by_name():
    names = ["base", "notch", "tip"]
    length = named_measurement("jaw length", ["base", "tip"], names)
    assert (length.name, length.points, length.kind, length.unit) == (
        "jaw length", (0, 2), "distance", "mm",
    )  # fmt: skip
    assert named_measurement("", ["base", "tip"], names).name == "base to tip"
    corner = named_measurement("", ["tip", "base", "notch"], names)
    assert (corner.name, corner.unit) == ("angle at base from tip to notch", "degrees")
    ratio = named_measurement("", ["tip", "base", "notch", "base"], names)
    assert (ratio.name, ratio.unit) == ("tip to base by notch to base", "ratio")


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ((0,), "has 1 landmarks: 2 make a distance"),
        ((0, 1, 2, 3, 4), "has 5 landmarks"),
        ((1, 1), "names a landmark twice"),
        ((0, 1, 0), "names a landmark twice"),
        ((0, 1, 2, 2), "names a landmark twice"),
    ],
)
def test_points_that_measure_nothing_are_refused(points, message):
    with pytest.raises(InferenceError, match=message):
        Measurement("odd", points)


def test_landmarks_that_do_not_exist_are_refused(rng):
    with pytest.raises(
        InferenceError, match="has no landmark 'tipp' to go by; there are base, tip"
    ):
        named_measurement("length", ["base", "tipp"], ["base", "tip"])
    with pytest.raises(InferenceError, match="There is no landmark 'tipp'"):
        all_distances(["base", "tip"], use=["base", "tipp"])
    with pytest.raises(InferenceError, match=r"'far' goes by landmarks \[0, 9\]"):
        measure(rng.normal(size=(2, 4, 3)), [Measurement("far", (0, 9))])
    with pytest.raises(InferenceError, match="stand more than once: tip"):
        all_distances(["tip", "tip"])
    with pytest.raises(InferenceError, match="'corner' is an angle"):
        ratios([], Measurement("corner", (0, 1, 2)))
    with pytest.raises(InferenceError, match="must have shape"):
        measure(np.ones((3, 3)), [])
    with pytest.raises(InferenceError, match="infinite coordinates"):
        measure(np.full((1, 3, 3), np.inf), [])


# ---------------------------------------------------------------- ranges


def test_table_of_taxa_in_its_own_words(rng):
    X = 10 + rng.normal(size=(9, 4, 3))
    X[0, 0] = np.nan
    taxa = np.repeat(["a", "b"], [4, 5])
    chosen = [*all_distances(list("wxyz")), Measurement("corner", (0, 1, 2))]
    values = measure(X, chosen)
    table = taxon_measurements(values, chosen, taxa)
    assert len(table) == 14
    for i, m in enumerate(chosen):
        for taxon in "ab":
            own = values[taxa == taxon, i]
            own = own[~np.isnan(own)]
            line = table[(table.measurement == m.name) & (table.taxon == taxon)].iloc[0]
            assert line["specimens"] == len(own)
            assert line["unit"] == m.unit
            np.testing.assert_allclose(
                line[["minimum", "maximum", "mean", "standard_deviation"]].astype(float),
                [own.min(), own.max(), own.mean(), own.std(ddof=1)],
            )
    assert table[table.taxon == "a"].specimens.tolist() == [3, 3, 3, 4, 4, 4, 3]


def three_measured(rng):
    """Values of two taxa: p overlaps, q and r do not, r by more of its own deviations."""
    taxa = np.repeat(["a", "b"], 6)
    values = np.column_stack(
        [np.tile(np.linspace(9, 11, 6), 2), np.tile(np.linspace(4, 6, 6), 2), np.empty(12)]
    )
    values[:, 2] = np.tile(np.linspace(2.9, 3.1, 6), 2)
    chosen = [Measurement(name, (0, i + 1)) for i, name in enumerate("pqr")]
    return values, chosen, taxa


def test_ranges_that_do_not_overlap_come_first(rng):
    values, chosen, taxa = three_measured(rng)
    found = compare_measurements(values, chosen, taxa, [[10.9, 6.2, 3.5]]).ranking
    assert found.measurement.tolist() == ["r", "q", "p"]
    assert found["rank"].tolist() == [1, 2, 3]
    assert found.outside_every_taxon.tolist() == [True, True, False]
    assert found.taxa_outside.tolist() == [2, 2, 0]
    # a difference as large inside a range comes after a small one outside
    values[:, 0] = np.tile([10, 10, 10, 10, 10, 10.91], 2)
    found = compare_measurements(values, chosen, taxa, [[10.9, 6.01, 3.5]]).ranking
    assert abs(found.standardised_difference[2]) > abs(found.standardised_difference[1])
    assert found.measurement.tolist() == ["r", "q", "p"]


def test_one_taxon_to_be_set_apart_from(rng):
    """A query like b: nothing sets it apart from all, p sets it apart from a."""
    values, chosen, taxa = three_measured(rng)
    values[taxa == "b", 0] += 5
    query = [[15.0, 5.0, 3.0]]
    every = compare_measurements(values, chosen, taxa, query)
    assert not every.ranking.outside_every_taxon.any()
    assert every.ranking.nearest_taxon[every.ranking.measurement == "p"].item() == "b"
    one = compare_measurements(values, chosen, taxa, query, against="a").ranking
    assert one.measurement[0] == "p"
    assert one.outside_every_taxon.tolist() == [True, False, False]
    assert (one.taxa_compared == 1).all()
    assert (one.nearest_taxon == "a").all()


def test_what_cannot_be_measured_comes_last(rng):
    values, chosen, taxa = three_measured(rng)
    found = compare_measurements(values, chosen, taxa, [[10.0, np.nan, 3.5]])
    last = found.ranking.iloc[-1]
    assert last["measurement"] == "q"
    assert last["taxa_compared"] == 0
    assert last["nearest_taxon"] == ""
    assert np.isnan(last["p_value"])
    assert found.taxa[found.taxa.measurement == "q"].beyond_range.isna().all()


def test_measurable_in_one_taxon_is_not_outside_every_taxon(rng):
    """A far outlier that cannot be compared in b ranks after one that can in both."""
    values, chosen, taxa = three_measured(rng)
    values[taxa == "b", 2] = np.nan
    found = compare_measurements(values, chosen, taxa, [[10.0, 5.0, 30.0]]).ranking
    assert found.measurement.tolist()[-1] == "r"
    assert not found.outside_every_taxon.any()
    assert found.taxa_compared.tolist() == [2, 2, 1]


def test_largest_p_value_stands_in_the_ranking(rng):
    values, chosen, taxa = three_measured(rng)
    values += 0.1 * rng.normal(size=values.shape)
    found = compare_measurements(values, chosen, taxa, rng.normal(5, 3, size=(4, 3)))
    worst = found.taxa.groupby(["query", "measurement"])["p_value"].max()
    rows = found.ranking.set_index(["query", "measurement"])["p_value"]
    np.testing.assert_allclose(rows.sort_index(), worst.sort_index())
    smallest = found.taxa.assign(d=found.taxa.standardised_difference.abs())
    smallest = smallest.groupby(["query", "measurement"])["d"].min()
    rows = found.ranking.set_index(["query", "measurement"]).standardised_difference.abs()
    np.testing.assert_allclose(rows.sort_index(), smallest.sort_index())


def test_how_far_beyond_a_range():
    values = np.array([[1.0], [2.0], [3.0], [4.0]])
    d = [Measurement("d", (0, 1))]
    table = compare_measurements(values, d, ["a"] * 4, [[4.5], [2.5], [0.25], [4.0]]).taxa
    assert table.beyond_range.tolist() == [0.5, 0.0, 0.75, 0.0]
    assert table.outside_range.tolist() == [True, False, True, False]


def test_small_taxa_are_shown_but_not_ranked_by(rng):
    values = rng.normal(10, 1, size=(8, 2))
    taxa = np.repeat(["many", "two"], [6, 2])
    d = [Measurement("d", (0, 1)), Measurement("e", (0, 2))]
    found = compare_measurements(values, d, taxa, [[20.0, 10.0]])
    assert (found.ranking.taxa_compared == 1).all()
    assert found.ranking.outside_every_taxon.tolist() == [True, False]
    assert set(found.taxa.taxon) == {"many", "two"}
    with pytest.raises(InferenceError, match="'two' has 2 measured specimens; at least 3"):
        compare_measurements(values, d, taxa, [[20.0, 10.0]], against="two")
    with pytest.raises(InferenceError, match="No taxon 'three'; there are"):
        compare_measurements(values, d, taxa, [[20.0, 10.0]], against="three")


def test_a_range_needs_no_number_of_specimens(rng):
    """Within the range of a taxon of two, a value is not outside that of every taxon."""
    values = np.r_[rng.normal(10, 0.3, 10), rng.normal(12, 0.3, 10), 14.5, 15.5, 18.0][:, None]
    taxa = ["a"] * 10 + ["b"] * 10 + ["c"] * 2 + ["d"]
    d = [Measurement("d", (0, 1))]
    found = compare_measurements(values, d, taxa, [[15.0], [16.0], [18.0]])
    assert found.ranking.outside_every_taxon.tolist() == [False, True, False]
    assert found.ranking.taxa_outside.tolist() == [3, 4, 3]
    ranged = found.taxa.groupby("query").outside_range
    assert (ranged.all() == found.ranking.set_index("query").outside_every_taxon).all()
    assert (ranged.sum() == found.ranking.set_index("query").taxa_outside).all()
    # the standard deviation and the p-value are still those of taxa of three or more
    assert (found.ranking.taxa_compared == 2).all()
    assert found.ranking.nearest_taxon.isin(["a", "b"]).all()
    one = compare_measurements(values, d, taxa, [[15.0]], against="b").ranking
    assert one.outside_every_taxon.tolist() == [True]
    assert one.taxa_outside.tolist() == [1]


def test_a_small_taxon_that_lacks_a_measurement_has_no_range_to_lie_in(rng):
    """It says nothing; a taxon of three or more that lacks it leaves the claim open."""
    values = np.column_stack([rng.normal(10, 0.3, 14), rng.normal(10, 0.3, 14)])
    taxa = np.repeat(["a", "b", "c"], [6, 6, 2])
    values[taxa == "c", 0] = np.nan
    values[taxa == "b", 1] = np.nan
    d = [Measurement("d", (0, 1)), Measurement("e", (0, 2))]
    found = compare_measurements(values, d, taxa, [[20.0, 20.0]]).ranking
    assert found.measurement.tolist() == ["d", "e"]
    assert found.outside_every_taxon.tolist() == [True, False]
    assert found.taxa_outside.tolist() == [2, 2]


def test_no_taxon_is_large_enough_to_rank_by(rng):
    d = [Measurement("d", (0, 1)), Measurement("e", (0, 2))]
    found = compare_measurements(rng.normal(size=(2, 2)), d, ["a", "b"], [[20.0, 10.0]])
    assert (found.ranking.taxa_compared == 0).all()
    assert not found.ranking.outside_every_taxon.any()
    assert found.ranking.p_value.isna().all()


# ---------------------------------------------------------------- beyond allometry


def test_beyond_allometry_lengths_that_follow_size_say_nothing(rng):
    """One length grows with size, one is long for its size: only the second remains."""
    log_size = rng.uniform(2, 3, size=30)
    taxa = np.repeat(["a", "b"], 15)
    grows = np.exp(1.4 * log_size + 0.02 * rng.normal(size=30))
    other = np.exp(0.8 * log_size + 0.02 * rng.normal(size=30))
    d = [Measurement("grows", (0, 1)), Measurement("other", (0, 2))]
    query = [[np.exp(1.4 * 3.4), 1.3 * np.exp(0.8 * 3.4)]]
    values = np.column_stack([grows, other])
    raw = compare_measurements(values, d, taxa, query)
    beyond = compare_measurements(values, d, taxa, query, log_size=log_size, query_log_size=[3.4])
    assert raw.ranking.outside_every_taxon.all()
    assert beyond.ranking.measurement.tolist() == ["other", "grows"]
    assert beyond.ranking.outside_every_taxon.tolist() == [True, False]
    line = beyond.taxa[(beyond.taxa.measurement == "grows") & (beyond.taxa.taxon == "a")].iloc[0]
    # ranges are those at the size of the query, back in mm
    assert line["mean"] == pytest.approx(np.exp(1.4 * 3.4), rel=0.03)
    assert line["minimum"] < line["value"] < line["maximum"]
    assert line["standard_deviation"] == pytest.approx(0.02, rel=0.5)
    assert line["standard_deviation_unit"] == "logarithm"
    assert line["value"] == pytest.approx(query[0][0])


def test_beyond_allometry_angles_are_not_logged(rng):
    """Residuals of the angle itself: an angle of 0 is one, a distance of 0 has no logarithm."""
    log_size = rng.normal(size=12)
    values = np.column_stack([rng.normal(0, 5, size=12), rng.uniform(1, 2, size=12)])
    values[3, 1] = 0.0
    d = [Measurement("corner", (0, 1, 2)), Measurement("length", (0, 1))]
    table = compare_measurements(
        values, d, ["a"] * 12, [[0.0, 1.5]], log_size=log_size, query_log_size=[0.2]
    ).taxa
    assert table.specimens.tolist() == [12, 11]
    assert table.standard_deviation_unit.tolist() == ["degrees", "logarithm"]
    slope, middle = np.polyfit(log_size, values[:, 0], 1)
    assert table["mean"][0] == pytest.approx(middle + 0.2 * slope)
    rest = values[:, 0] - middle - slope * log_size
    assert table.standard_deviation[0] == pytest.approx(np.sqrt((rest**2).sum() / 10))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"values": np.ones((4, 3))}, "`values` must have a column for each of the 2 measurements"),
        ({"queries": np.ones((1, 1))}, "`queries` must have a column for each of the 2"),
        ({"measurements": [Measurement("d", (0, 1))] * 2}, "Names of measurements stand more"),
        ({"log_size": np.arange(4.0)}, "given together or not at all"),
        ({"log_size": np.ones(4), "query_log_size": [1.0]}, "Sizes do not vary"),
        ({"log_size": np.ones(3), "query_log_size": [1.0]}, r"`size` must have shape \(4,\)"),
        ({"names": ["x", "y"]}, "2 names for 1 queries"),
        ({"taxa": ["a"]}, "labels of shape"),
    ],
)
def test_what_cannot_be_compared_is_refused(change, message):
    good = {
        "values": np.arange(8.0).reshape(4, 2) ** 2 + 1,
        "measurements": [Measurement("d", (0, 1)), Measurement("e", (0, 2))],
        "taxa": ["a"] * 4,
        "queries": [[1.0, 2.0]],
    }
    with pytest.raises(InferenceError, match=message):
        compare_measurements(**(good | change))


@pytest.mark.long
def test_all_tables_of_a_large_study_in_five_seconds(rng):
    """200 specimens, 60 landmarks, 1770 distances and ratios, raw and beyond allometry."""
    X = 10 * rng.normal(size=(60, 3)) + rng.normal(size=(200, 60, 3))
    taxa, size = np.repeat(list("abcd"), 50), rng.normal(size=200)
    start = process_time()
    distances = all_distances([f"p{i}" for i in range(60)])
    for chosen in (distances, ratios(distances, distances[0])):
        values = measure(X, chosen)
        taxon_measurements(values, chosen, taxa)
        for sizes in ({}, {"log_size": size, "query_log_size": size[:3]}):
            found = compare_measurements(values, chosen, taxa, values[:3], **sizes)
            assert len(found.ranking) == 3 * len(chosen)
    assert process_time() - start < 5
