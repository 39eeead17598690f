"""Relative sizes of elements, and the ranges of taxa that they and measurements share."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ttest_ind
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.inference.differences.proportions import relative_sizes
from morpho.inference.differences.ranges import (
    TaxonRanges,
    check_names,
    false_discovery,
    small_sample_factor,
)
from morpho.inference.models.design import InferenceError

ELEMENTS = ["jaw", "atlas", "femur"]


@pytest.fixture
def bones(rng):
    """Centroid sizes of three elements; the jaw of one individual is missing."""
    sizes = np.exp(rng.normal([3.0, 2.5, 3.4], 0.08, size=(13, 3)))
    sizes[2, 0] = np.nan
    return sizes, np.repeat(["marsh", "ridge"], [6, 7])


def row(table, first, second, taxon, query=0):
    found = table[
        (table["first"] == first)
        & (table["second"] == second)
        & (table["taxon"] == taxon)
        & (table["query"] == query)
    ]
    assert len(found) == 1
    return found.iloc[0]


# ---------------------------------------------------------------- relative sizes


def test_a_row_in_its_own_words(bones):
    sizes, taxa = bones
    query = np.array([25.0, 11.0, 30.0])
    found = row(relative_sizes(sizes, taxa, [query], elements=ELEMENTS), "jaw", "atlas", "marsh")
    logs = np.log(sizes[:6, 0] / sizes[:6, 1])
    logs = logs[~np.isnan(logs)]
    assert found["specimens"] == 5
    assert found["log_ratio_mean"] == pytest.approx(logs.mean())
    assert found["log_ratio_sd"] == pytest.approx(logs.std(ddof=1))
    assert found["ratio_mean"] == pytest.approx(np.exp(logs.mean()))
    assert found["ratio_minimum"] == pytest.approx(np.exp(logs.min()))
    assert found["ratio_maximum"] == pytest.approx(np.exp(logs.max()))
    assert found["query_ratio"] == pytest.approx(25 / 11)
    assert found["query_log_ratio"] == pytest.approx(np.log(25 / 11))
    assert found["p_value"] == pytest.approx(ttest_ind([np.log(25 / 11)], logs).pvalue)
    assert bool(found["outside_range"]) == (np.log(25 / 11) > logs.max())


def test_every_pair_and_taxon_has_a_row(bones):
    sizes, taxa = bones
    table = relative_sizes(sizes, taxa, sizes[3:5], elements=ELEMENTS, names=["Q1", "Q2"])
    assert len(table) == 2 * 3 * 2
    assert table["query"].unique().tolist() == ["Q1", "Q2"]
    assert (table["specimens"] == [5, 7, 5, 7, 6, 7] * 2).all()


def test_the_order_of_elements_turns_the_sign_only(bones):
    sizes, taxa = bones
    forth = relative_sizes(sizes, taxa, [[25.0, 11.0, 30.0]], elements=ELEMENTS)
    back = relative_sizes(sizes[:, ::-1], taxa, [[30.0, 11.0, 25.0]], elements=ELEMENTS[::-1])
    a, b = row(forth, "jaw", "femur", "ridge"), row(back, "femur", "jaw", "ridge")
    assert a["query_log_ratio"] == pytest.approx(-b["query_log_ratio"])
    assert a["standardised_difference"] == pytest.approx(-b["standardised_difference"])
    assert a["p_value"] == pytest.approx(b["p_value"])
    assert a["ratio_minimum"] == pytest.approx(1 / b["ratio_maximum"])


def test_size_of_the_individual_does_not_matter(bones):
    """The same proportions in larger animals, and in another unit."""
    sizes, taxa = bones
    query = np.array([[25.0, 11.0, 30.0]])
    a = relative_sizes(sizes, taxa, query, elements=ELEMENTS)
    b = relative_sizes(sizes * np.arange(1, 14)[:, None], taxa, query * 40, elements=ELEMENTS)
    for name in a.columns[4:]:
        np.testing.assert_allclose(
            a[name].to_numpy(float), b[name].to_numpy(float), rtol=1e-8, atol=1e-12
        )


def test_a_missing_element_blanks_its_own_pairs_only(bones):
    sizes, taxa = bones
    table = relative_sizes(sizes, taxa, [[25.0, np.nan, 30.0]], elements=ELEMENTS)
    lost = (table["first"] == "atlas") | (table["second"] == "atlas")
    assert table.loc[lost, "p_value"].isna().all()
    # neither inside a range nor outside: there was nothing to compare
    assert table.loc[lost, "outside_range"].tolist() == [None] * int(lost.sum())
    assert table.loc[~lost, "outside_range"].isin([True, False]).all()
    assert table.loc[~lost, "p_value"].notna().all()
    # and it is no test that the others would be adjusted for
    np.testing.assert_allclose(
        table.loc[~lost, "p_value_false_discovery"], table.loc[~lost, "p_value"]
    )


def test_a_taxon_without_both_elements_has_no_range_to_be_outside_of(rng):
    sizes = np.exp(rng.normal(3, 0.1, size=(8, 2)))
    sizes[5:, 1] = np.nan
    table = relative_sizes(sizes, ["a"] * 5 + ["b"] * 3, [[99.0, 1.0]], elements=["jaw", "atlas"])
    assert table["specimens"].tolist() == [5, 0]
    assert table["outside_range"].tolist() == [True, None]


def test_taxa_of_one_and_two(rng):
    sizes = np.exp(rng.normal(3, 0.1, size=(8, 2)))
    taxa = np.repeat(["many", "single", "two"], [5, 1, 2])
    table = relative_sizes(sizes, taxa, [[20.0, 25.0]], elements=["jaw", "atlas"])
    table = table.set_index("taxon")
    assert np.isnan(table.loc["single", "p_value"])
    assert np.isnan(table.loc["single", "log_ratio_sd"])
    assert table.loc["single", "ratio_minimum"] == table.loc["single", "ratio_maximum"]
    assert np.isfinite(table.loc["two", "p_value"])
    assert np.isnan(table.loc["two", "standardised_difference"])
    pooled = relative_sizes(
        sizes, taxa, [[20.0, 25.0]], elements=["jaw", "atlas"], spread="pooled"
    ).set_index("taxon")
    assert pooled["p_value"].notna().all()
    assert pooled["standardised_difference"].notna().all()


def test_proportions_that_follow_size_are_compared_at_one_size(rng):
    """Jaws grow faster than the rest: a small individual is usual once that is heeded."""
    log_size = rng.uniform(2.5, 3.5, size=20)
    jaw = np.exp(1.3 * log_size + 0.01 * rng.normal(size=20))
    sizes = np.column_stack([jaw, np.exp(log_size)])
    query = [[np.exp(1.3 * 2.0), np.exp(2.0)]]
    plain = relative_sizes(sizes, ["a"] * 20, query, elements=["jaw", "atlas"])
    heeded = relative_sizes(
        sizes, ["a"] * 20, query, elements=["jaw", "atlas"], log_size=log_size, query_log_size=[2.0]
    )
    assert plain["outside_range"][0]
    assert not heeded["outside_range"][0]
    assert plain["p_value"][0] < 0.02
    assert heeded["p_value"][0] > 0.05


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"elements": ["jaw", "jaw", "femur"]}, "Names of elements stand more than once: jaw"),
        ({"sizes": np.ones((4, 2))}, r"`sizes` must have shape \(n_individuals, 3\)"),
        ({"sizes": np.ones((4, 3)) * [1, 0, 1]}, "`sizes` holds 0.0 for atlas of individual 0"),
        ({"queries": [[1.0, 2.0, -3.0]]}, "`queries` holds -3.0 for femur of individual 0"),
        ({"queries": [[1.0, 2.0, np.inf]]}, "a centroid size is more than 0, or NaN"),
        ({"taxa": ["a", "b"]}, "labels of shape"),
        ({"names": ["x", "y"]}, "2 names for 1 queries"),
        ({"spread": "wide"}, "`spread` must be 'taxon' or 'pooled'"),
        ({"log_size": np.arange(4.0)}, "`query_log_size` are given together or not"),
        ({"log_size": np.ones(4), "query_log_size": [1.0]}, "Sizes do not vary within any taxon"),
    ],
)
def test_what_cannot_be_compared_is_refused(change, message):
    good = {
        "sizes": np.arange(1.0, 13).reshape(4, 3),
        "taxa": ["a"] * 4,
        "queries": [[1.0, 2.0, 3.0]],
        "elements": ELEMENTS,
    }
    with pytest.raises(InferenceError, match=message):
        relative_sizes(**(good | change))


def test_one_element_has_no_proportions():
    with pytest.raises(InferenceError, match="at least two elements"):
        relative_sizes([[1.0], [2.0]], ["a", "a"], [[1.0]], elements=["jaw"])


# ---------------------------------------------------------------- ranges of taxa


def test_missing_values_leave_their_own_column_only(rng):
    """Each column with gaps gives what the specimens that have it give alone, size heeded too."""
    y, size = rng.normal(size=(14, 3)), rng.normal(size=14)
    taxa = np.repeat(["a", "b"], 7)
    y[[1, 8], 0] = np.nan
    query, at = rng.normal(size=(2, 3)), [0.3, -0.5]
    there = ~np.isnan(y[:, 0])
    for spread in ("taxon", "pooled"):
        whole = TaxonRanges(spread=spread).fit(y, taxa, size).compare(query, at)
        part = TaxonRanges(spread=spread).fit(y[there, :1], taxa[there], size[there])
        part = part.compare(query[:, :1], at)
        for name in ("p_value", "standardised_difference", "minimum", "maximum", "mean"):
            np.testing.assert_allclose(getattr(whole, name)[..., :1], getattr(part, name))
        full = TaxonRanges(spread=spread).fit(y[:, 1:], taxa, size).compare(query[:, 1:], at)
        np.testing.assert_allclose(whole.p_value[..., 1:], full.p_value)


def test_a_specimen_that_is_there_already_is_not_outside(rng):
    """Also where rounding on the way to its size would put it there."""
    y, size = rng.normal(size=(9, 40)), rng.normal(size=9)
    for s, at in ((None, None), (size, size)):
        found = TaxonRanges().fit(y, ["a"] * 9, s).compare(y * (1 + 1e-15), at)
        assert not found.outside.any()


def test_a_value_that_never_varies_gives_no_p_value():
    y = np.column_stack([np.full(6, 0.1 + 0.2), np.arange(6.0)])
    found = TaxonRanges().fit(y, ["a"] * 6).compare([[0.4, 2.0]])
    assert np.isnan(found.p_value[0, 0, 0])
    assert found.outside[0, 0, 0]
    assert np.isfinite(found.p_value[0, 0, 1])


def test_a_taxon_without_the_value_is_blank(rng):
    y = rng.normal(size=(8, 2))
    y[4:, 0] = np.nan
    found = TaxonRanges(spread="pooled").fit(y, np.repeat(["a", "b"], 4)).compare([[9.0, 9.0]])
    assert found.specimens.tolist() == [[4, 4], [0, 4]]
    assert np.isnan(found.p_value[0, 1, 0])
    assert np.isnan(found.minimum[0, 1, 0])
    assert not found.outside[0, 1, 0]


def test_ranges_are_an_estimator(rng):
    model = TaxonRanges(spread="pooled")
    assert clone(model).get_params() == {"spread": "pooled"}
    with pytest.raises(NotFittedError):
        model.compare([[1.0]])
    assert model.fit(rng.normal(size=(5, 1)), list("aabbb")) is model


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ([1.0, 2.0], "must have shape"),
        (np.ones((2, 0)), "must have shape"),
        ([[1.0], [np.inf]], "hold infinite numbers"),
    ],
)
def test_values_that_are_none_are_refused(values, message):
    with pytest.raises(InferenceError, match=message):
        TaxonRanges().fit(values, ["a", "a"])


def test_queries_with_other_values_are_refused(rng):
    model = TaxonRanges().fit(rng.normal(size=(4, 2)), ["a"] * 4)
    with pytest.raises(InferenceError, match="must be 2 for each, as for the known, but are 3"):
        model.compare([[1.0, 2.0, 3.0]])


# ---------------------------------------------------------------- small helpers


def test_false_discovery_of_nothing_and_of_one():
    assert np.isnan(false_discovery([np.nan, np.nan])).all()
    assert false_discovery([]).size == 0
    assert false_discovery([0.03]).tolist() == [0.03]
    with pytest.raises(InferenceError, match="between 0 and 1"):
        false_discovery([0.2, 1.2])


def test_false_discovery_runs_along_an_axis():
    p = np.array([[0.01, 0.5], [0.02, np.nan], [0.9, 0.02]])
    by_column = false_discovery(p, axis=0)
    for j in range(2):
        np.testing.assert_allclose(by_column[:, j], false_discovery(p[:, j]))
    assert not np.allclose(np.nan_to_num(by_column), np.nan_to_num(false_discovery(p)))


def test_small_sample_factor_grows_to_one():
    factor = small_sample_factor([2, 3, 5, 50, 5000])
    assert (np.diff(factor) > 0).all()
    assert factor[0] == pytest.approx(np.pi**-0.5)  # Gamma(1) / Gamma(1/2)
    assert factor[-1] == pytest.approx(1, abs=2e-4)
    assert np.isnan(small_sample_factor([0.0, 1.0])).all()


def test_names_are_numbers_where_none_are_given():
    assert check_names(None, 3, "queries") == [0, 1, 2]
    with pytest.raises(InferenceError, match="Names of queries stand more than once: b"):
        check_names(["a", "b", "b"], 3, "queries")
