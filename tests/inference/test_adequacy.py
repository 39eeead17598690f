"""Errors against sample size: a known population, theory, and what would decide."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.adequacy import (
    ADDED,
    adequacy_of_taxa,
    rarefy,
    specimens_to_decide,
)

RULES = Rules(0.05, 5, None, 1)


def sample(rng, counts=(9, 8), apart=6.0, p=4):
    """Known specimens about means of their own, all of the same spread."""
    taxon = np.repeat(["a", "b", "c", "d"][: len(counts)], counts)
    place = np.unique(taxon, return_inverse=True)[1]
    means = apart * np.eye(p)[: len(counts)]
    tangent = means[place] + rng.normal(size=(len(taxon), p))
    return Shapes(tangent, rng.normal(3, 0.2, len(taxon)), taxon)


# ---------------------------------------------------------------- rarefied curves


def test_the_expected_error_is_the_square_root_of_trace_by_m(rng):
    Y = rng.normal(size=(12, 3)) * [3, 1, 0.2]
    table = rarefy(Y, ["a"] * 12, repeats=2, rng=rng).set_index("specimens")
    trace = np.trace(np.cov(Y.T))
    m = np.arange(2, 25)
    np.testing.assert_array_equal(table.index, m)
    np.testing.assert_allclose(table["mean_error_expected"], np.sqrt(trace / m))
    assert table.loc[2:11, "mean_error"].notna().all()
    assert table.loc[12:, "mean_error"].isna().all()
    assert table.loc[12:, "variance_error"].isna().all()


def test_rarefied_means_are_as_far_off_as_expected(rng):
    """Drawn without replacement and corrected for it, the mean square is trace / m exactly."""
    Y = rng.exponential(size=(15, 4)) * [3, 1, 0.2, 1]
    table = rarefy(Y, ["a"] * 15, repeats=3000, rng=rng).dropna()
    np.testing.assert_allclose(table["mean_error"], table["mean_error_expected"], rtol=0.06)


def test_rarefied_errors_are_those_of_a_known_population():
    """Normal specimens of a known spread: errors of means and variances, over many samples.

    The mean of m has the error sqrt(trace / m); the variance of m in one dimension, as a share
    of itself, sqrt(2 / (m - 1)): the variance of a chi-squared share.
    """
    rng = np.random.default_rng(4)
    tables = [
        rarefy(3 * rng.normal(size=(60, 1)), ["a"] * 60, repeats=100, rng=rng) for _ in range(40)
    ]
    m = np.array([3, 5, 10, 20, 40])
    squares = pd.concat(tables).set_index("specimens").groupby(level=0)
    found = np.sqrt(squares[["mean_error", "variance_error"]].agg(lambda x: (x**2).mean())).loc[m]
    np.testing.assert_allclose(found["mean_error"], 3 / np.sqrt(m), rtol=0.05)
    np.testing.assert_allclose(found["variance_error"], np.sqrt(2 / (m - 1)), rtol=0.1)


def test_by_hand_on_every_subsample(rng):
    """Four specimens, two at a time: six subsamples, all of them."""
    Y = np.array([[0.0], [1.0], [2.0], [5.0]])
    table = rarefy(Y, ["a"] * 4, repeats=30_000, rng=rng).set_index("specimens")
    pairs = np.array([[i, j] for i in range(4) for j in range(i)])
    means = Y[pairs, 0].mean(axis=1)
    variances = Y[pairs, 0].var(axis=1, ddof=1)
    room = 1 - 2 / 4
    expected = np.sqrt(((means - 2) ** 2).mean() / room)
    assert table.loc[2, "mean_error"] == pytest.approx(expected, rel=0.02)
    off = ((variances / Y.var(ddof=1) - 1) ** 2).mean()
    assert table.loc[2, "variance_error"] == pytest.approx(np.sqrt(off / room), rel=0.02)


def test_taxa_are_rarefied_by_themselves_and_small_ones_not(rng):
    Y = rng.normal(size=(17, 2))
    labels = ["b"] * 6 + ["a"] * 8 + ["c"] * 3
    table = rarefy(Y, labels, repeats=3, rng=rng)
    assert table["taxon"].unique().tolist() == ["a", "b"]
    assert table.groupby("taxon")["specimens"].max().to_dict() == {"a": 16, "b": 12}
    trace = np.trace(np.cov(Y[:6].T))
    own = table[(table["taxon"] == "b") & (table["specimens"] == 6)]
    assert own["mean_error_expected"].iloc[0] == pytest.approx(np.sqrt(trace / 6))
    assert rarefy(Y[:3], ["a"] * 3, repeats=3, rng=rng).empty


def test_specimens_that_do_not_vary_have_no_error(rng):
    table = rarefy(np.ones((6, 3)), ["a"] * 6, repeats=5, rng=rng)
    assert (table["mean_error"].dropna() == 0).all()
    assert table["variance_error"].isna().all()


def test_rarefying_is_refused_without_a_matrix(rng):
    with pytest.raises(InferenceError, match="missing or infinite"):
        rarefy(np.full((5, 2), np.nan), ["a"] * 5, rng=rng)


# ---------------------------------------------------------------- floors


def test_adequacy_of_taxa_by_hand(rng):
    known = sample(rng, counts=(19, 18, 1))
    Y = known.tangent
    means = np.array([Y[known.taxon == t].mean(axis=0) for t in "abc"])
    residuals = Y - means[np.unique(known.taxon, return_inverse=True)[1]]
    table = adequacy_of_taxa(known, residuals, 0.05).set_index("taxon")
    assert table["specimens"].tolist() == [19, 18, 1]
    np.testing.assert_allclose(table["rank_floor"], [1 / 20, 1 / 19, 1])
    assert table["rank_can_decide"].tolist() == [True, False, False]
    assert table["specimens_for_rank"].tolist() == [19] * 3
    error = np.sqrt(np.trace(np.cov(Y[:19].T)) / 19)
    assert table.loc["a", "mean_error"] == pytest.approx(error)
    assert np.isnan(table.loc["c", "mean_error"])
    apart = np.linalg.norm(means - means[0], axis=1)[1:].min()
    assert table.loc["a", "nearest_distance"] == pytest.approx(apart)


@pytest.mark.parametrize("alpha", [0.01, 0.05, 0.1, 0.3])
def test_specimens_for_a_rank_are_just_enough(rng, alpha):
    known = sample(rng)
    n = adequacy_of_taxa(known, known.tangent, alpha)["specimens_for_rank"].iloc[0]
    assert 1 / (n + 1) <= alpha + 1e-12 < 1 / n


def test_one_taxon_has_no_nearest(rng):
    known = sample(rng, counts=(8,))
    assert adequacy_of_taxa(known, known.tangent, 0.05)["nearest_distance"].isna().all()


# ---------------------------------------------------------------- what would decide


def undecided(rng, counts=(12, 3), shift=4.5):
    """A query off its nearest taxon by as much as so few specimens cannot tell."""
    known = sample(rng, counts=counts, apart=8.0)
    mean = known.tangent[counts[0] :].mean(axis=0)
    query = Shapes((mean + np.array([0, 0, 0, shift]))[None], np.array([3.0]), np.array([""]))
    return known, query


def test_a_query_just_undecided_is_decided_by_more_specimens(rng):
    known, query = undecided(rng, counts=(4, 4), shift=7.0)
    assert [v.ground for v in judge(known, query, RULES).verdicts] == ["few_specimens"]
    table = specimens_to_decide(
        known, query, ["q"], RULES, added=(0, 8, 40), simulations=20, rng=rng
    )
    assert table["added"].tolist() == [0, 8, 40]
    assert table["taxon"].tolist() == ["b"] * 3
    assert table["taxon_specimens"].tolist() == [4, 12, 44]
    assert table["simulations"].tolist() == [1, 20, 20]
    assert table["undecided"].iloc[0] == 1
    assert table["outside"].is_monotonic_increasing
    assert table["outside"].iloc[2] > 0.8
    np.testing.assert_allclose(table[["outside", "inside", "undecided"]].sum(axis=1), 1)


def test_a_member_of_a_taxon_too_small_comes_inside(rng):
    known, query = undecided(rng)
    inside = Shapes(known.tangent[12:].mean(axis=0)[None], query.log_size, query.taxon)
    table = specimens_to_decide(known, inside, ["q"], RULES, added=(0, 8), simulations=10, rng=rng)
    assert table["undecided"].iloc[0] == 1
    assert table["inside"].iloc[1] > 0.8


def test_adding_none_is_the_verdict_as_it_is(rng):
    known = sample(rng)
    queries = Shapes(
        np.vstack([known.tangent[:1] + 0.1, known.tangent[:1] + 30]),
        np.full(2, 3.0),
        np.full(2, ""),
    )
    told = [v.verdict for v in judge(known, queries, RULES).verdicts]
    assert told == ["inside", "outside"]
    table = specimens_to_decide(known, queries, ["p", "q"], RULES, added=(0,), rng=rng)
    assert table["specimen"].tolist() == ["p", "q"]
    assert [table.loc[i, verdict] for i, verdict in enumerate(told)] == [1, 1]


def test_seeds_decide_alone(rng):
    known, query = undecided(rng)

    def simulate(seed):
        return specimens_to_decide(
            known, query, ["q"], RULES, added=(0, 6), simulations=12,
            rng=np.random.default_rng(seed),
        )  # fmt: skip

    pd.testing.assert_frame_equal(simulate(1), simulate(1))
    others = {tuple(simulate(seed)[["outside", "inside"]].iloc[1]) for seed in range(2, 7)}
    assert len(others) > 1


def test_invented_specimens_follow_the_growth_line_and_spread_of_the_model():
    """By the verdicts: a query on the line of a taxon stays inside, one off it goes out."""
    rng = np.random.default_rng(2)
    taxon = np.repeat(["a", "b"], [9, 5])
    size = rng.normal(3, 0.4, 14)
    tangent = np.zeros((14, 4))
    tangent[:, 0] = 10 * (size - 3)
    tangent[:, 1] = 30.0 * (taxon == "b")
    known = Shapes(tangent + rng.normal(size=(14, 4)), size, taxon)
    on = [10 * 0.5, 30.0, 0, 0]
    off = [10 * 0.5, 30.0, 0, 12]
    queries = Shapes(np.array([on, off]), np.array([3.5, 3.5]), np.array(["", ""]))
    table = specimens_to_decide(
        known, queries, ["on", "off"], RULES, added=(20,), simulations=10, rng=rng
    ).set_index("specimen")
    assert table["taxon"].tolist() == ["b", "b"]
    assert table.loc["on", "inside"] >= 0.8
    assert table.loc["off", "outside"] == 1


def test_progress_counts_simulations(rng):
    known, query = undecided(rng)
    told = []
    specimens_to_decide(
        known, query, ["q"], RULES, added=(0, 2), simulations=3, rng=rng,
        progress=lambda *done: told.append(done),
    )  # fmt: skip
    assert told == [(i, 4) for i in range(1, 5)]


def test_a_sample_too_small_to_judge_by_gives_an_empty_table(rng):
    known = sample(rng, counts=(1, 1))
    query = Shapes(known.tangent[:1], np.array([3.0]), np.array([""]))
    table = specimens_to_decide(known, query, ["q"], RULES, rng=rng)
    assert table.empty
    assert "undecided" in table


def test_numbers_added_go_up_from_none():
    assert ADDED[0] == 0
    assert list(ADDED) == sorted(set(ADDED))


def test_the_mean_of_two_is_off_by_half_their_distance(rng):
    """Variance of two is half their squared distance, that of their mean half of it again.

    And a taxon of one has no spread, and the largest p-value there is.
    """
    known = sample(rng, counts=(9, 2, 1))
    residuals = known.tangent - np.array(
        [known.tangent[known.taxon == taxon].mean(axis=0) for taxon in known.taxon]
    )
    table = adequacy_of_taxa(known, residuals, 0.05).set_index("taxon")
    pair = known.tangent[known.taxon == "b"]
    assert table.loc["b", "mean_error"] == pytest.approx(np.linalg.norm(pair[0] - pair[1]) / 2)
    assert table.loc["b", "rank_floor"] == pytest.approx(1 / 3)
    assert np.isnan(table.loc["c", "mean_error"])
    assert table.loc["c", "rank_floor"] == 1
