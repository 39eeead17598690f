"""Membership: evidence against a plain refit, verdicts for every ground, poor samples."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import f as f_distribution
from scipy.stats import ttest_ind
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

from morpho.inference.membership.typicality import Evidence, Membership, typicality
from morpho.inference.membership.verdict import Decision, combine, contradictions, decide
from morpho.inference.models.design import InferenceError


def sample(rng, labels, *, variables=5, axes=2):
    """Tangent coordinates, scores and sizes of known specimens."""
    labels = np.array(list(labels))
    Y = rng.normal(size=(len(labels), variables)) + (labels == "b")[:, None] * 2.0
    return Y, Y[:, :axes].copy(), labels, rng.normal(size=len(labels))


# ---------------------------------------------------------------- typicality


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


# ---------------------------------------------------------------- evidence


def refitted_ranks(Y, scores, labels, size, query, query_size, taxon):
    """Rank p-values by putting the query into the taxon and fitting the model anew.

    In the taxon by Procrustes distance, in it on the axes retained, and among all.
    """
    groups = np.unique(labels)
    all_labels = np.append(labels, taxon)
    X = (all_labels[:, None] == groups).astype(float)
    if size is not None:
        X = np.column_stack([X, np.append(size, query_size)])
    hat = X @ np.linalg.pinv(X)
    room = 1 - np.diag(hat)
    judged, own = room > 1e-9, all_labels == taxon

    def reached(data, metric=None):
        rest = data - hat @ data
        metric = np.eye(data.shape[1]) if metric is None else np.linalg.inv(rest.T @ rest)
        squares = np.einsum("ni,ij,nj->n", rest, metric, rest)
        d = np.where(judged, squares / np.where(judged, room, 1), -np.inf)
        return d >= d[-1] * (1 - 1e-9)

    shape = reached(np.vstack([Y, query]))
    axes = reached(np.vstack([scores, query[: scores.shape[1]]]), "products")
    return shape[own].mean(), axes[own].mean(), shape.sum() / judged.sum()


@pytest.mark.parametrize("heed_size", [False, True])
@pytest.mark.parametrize("labels", ["aaaaabbbbbbb", "aaaaaaaaa", "aabbbbbbbbbb", "abbbbbbbb"])
def test_ranks_equal_those_of_a_plain_refit(rng, heed_size, labels):
    Y, scores, labels, size = sample(rng, labels)
    queries, query_sizes = 1.5 * rng.normal(size=(6, 5)), rng.normal(size=6)
    size, query_sizes = (size, query_sizes) if heed_size else (None, None)
    model = Membership().fit(Y, scores, labels, size)
    evidence = model.evidence(queries, queries[:, :2], query_sizes)
    for q, (g, taxon) in product(range(6), enumerate(evidence.taxa)):
        query_size = None if query_sizes is None else query_sizes[q]
        own, axes, pooled = refitted_ranks(Y, scores, labels, size, queries[q], query_size, taxon)
        assert evidence.rank_p_value[q, g] == pytest.approx(own)
        assert evidence.axes_rank_p_value[q, g] == pytest.approx(axes)
        assert evidence.pooled_rank_p_value[q, g] == pytest.approx(pooled)


def test_distances_by_hand(rng):
    Y, scores, labels, _ = sample(rng, "aaaaabbbbbbb")
    query = rng.normal(size=(1, 5))
    evidence = Membership().fit(Y, scores, labels).evidence(query, query[:, :2])
    rest = np.vstack([scores[labels == g] - scores[labels == g].mean(axis=0) for g in "ab"])
    W = rest.T @ rest / 10
    for g, taxon in enumerate("ab"):
        of = labels == taxon
        z = query[0, :2] - scores[of].mean(axis=0)
        squared = z @ np.linalg.inv(W) @ z
        assert evidence.mahalanobis_distance[0, g] == pytest.approx(np.sqrt(squared))
        assert evidence.typicality_probability[0, g] == pytest.approx(
            float(typicality(squared, 2, 10, 1 / of.sum()))
        )
        assert evidence.procrustes_distance[0, g] == pytest.approx(
            np.linalg.norm(query[0] - Y[of].mean(axis=0))
        )
    likelihood = np.exp(-(evidence.mahalanobis_distance[0] ** 2) / 2)
    np.testing.assert_allclose(evidence.posterior_probability[0], likelihood / likelihood.sum())
    np.testing.assert_array_equal(evidence.specimens, [5, 7])
    np.testing.assert_allclose(evidence.rank_floor, [1 / 6, 1 / 8])
    np.testing.assert_allclose(evidence.pooled_rank_floor, 1 / 13)


def test_the_p_value_is_twice_the_smaller_test(rng):
    Y, scores, labels, _ = sample(rng, "aaaaabbbbbbb")
    queries = rng.normal(size=(8, 5)) * 2
    e = Membership().fit(Y, scores, labels).evidence(queries, queries[:, :2])
    smaller = np.minimum(e.typicality_probability, e.pooled_rank_p_value)
    np.testing.assert_allclose(e.p_value, np.minimum(2 * smaller, 1))


def test_at_its_own_size_a_query_lies_on_the_growth_line():
    """Parallel lines of growth: far from every mean, yet just where its taxon would be."""
    rng = np.random.default_rng(2)
    labels, size = np.repeat(["a", "b"], 12), rng.normal(size=24)
    line = np.array([1.0, 0.5, 0.0, 0.0])
    Y = (
        np.outer(size, line)
        + np.outer(labels == "b", [0, 0, 1, 0])
        + 0.05 * rng.normal(size=(24, 4))
    )
    query, query_size = 5.0 * line[None], [5.0]
    as_is = Membership().fit(Y, Y[:, :3], labels).evidence(query, query[:, :3])
    heeded = Membership().fit(Y, Y[:, :3], labels, size).evidence(query, query[:, :3], query_size)
    assert as_is.p_value[0, 0] < 0.01
    assert heeded.p_value[0, 0] > 0.1
    assert heeded.procrustes_distance[0, 0] < 0.5
    # the other taxon's line is as far away as the taxa are apart
    assert heeded.procrustes_distance[0, 1] == pytest.approx(1, abs=0.2)
    assert as_is.typicality_probability.shape == heeded.typicality_probability.shape


def test_a_query_identical_to_a_known_specimen(rng):
    Y, scores, labels, _ = sample(rng, "aaaaabbbbbbb")
    evidence = Membership().fit(Y, scores, labels).evidence(Y[[2]], scores[[2]])
    # its twin lies as far out as it does: never at the floor
    assert evidence.rank_p_value[0, 0] >= 2 / 6
    assert evidence.axes_rank_p_value[0, 0] >= 2 / 6


def test_a_query_on_the_mean_is_as_typical_as_can_be(rng):
    Y, scores, labels, _ = sample(rng, "aaaaabbbbbbb")
    mean = Y[labels == "a"].mean(axis=0)[None]
    evidence = Membership().fit(Y, scores, labels).evidence(mean, mean[:, :2])
    assert evidence.typicality_probability[0, 0] == 1
    assert evidence.rank_p_value[0, 0] == 1
    assert evidence.procrustes_distance[0, 0] == pytest.approx(0, abs=1e-12)


def test_one_taxon_only(rng):
    Y, scores, labels, _ = sample(rng, "aaaaaaa")
    model = Membership().fit(Y, scores, labels)
    evidence = model.evidence(Y[:1] + 100, scores[:1] + 100)
    assert evidence.p_value.shape == (1, 1)
    assert evidence.typicality_probability[0, 0] < 1e-4
    assert evidence.posterior_probability[0, 0] == 1
    assert evidence.rank_p_value[0, 0] == pytest.approx(1 / 8)


def test_a_taxon_of_one_is_judged_by_the_spread_of_the_others(rng):
    Y, scores, labels, _ = sample(rng, "abbbbbbbbbb")
    near = Y[:1] + 0.01
    evidence = Membership().fit(Y, scores, labels).evidence(near, near[:, :2])
    assert evidence.typicality_probability[0, 0] > 0.9
    # two of a kind lie equally far from their mean: the rank cannot fall below 1
    assert evidence.rank_floor[0] == 1
    assert evidence.rank_p_value[0, 0] == 1


def test_more_axes_than_degrees_of_freedom_leave_the_ranks(rng):
    Y, _, labels, _ = sample(rng, "aaabbb")
    model = Membership().fit(Y, Y, labels)
    evidence = model.evidence(Y[:2] + 5, Y[:2] + 5)
    for missing in (
        "typicality_probability",
        "axes_rank_p_value",
        "mahalanobis_distance",
        "posterior_probability",
    ):
        assert np.isnan(getattr(evidence, missing)).all()
    np.testing.assert_allclose(evidence.p_value, evidence.pooled_rank_p_value)


def test_specimens_that_do_not_vary_leave_the_ranks():
    Y = np.repeat([[0.0, 0, 1], [1, 0, 0]], 4, axis=0)
    model = Membership().fit(Y, Y, list("aaaabbbb"))
    evidence = model.evidence([[0.0, 9, 0]], [[0.0, 9, 0]])
    assert np.isnan(evidence.typicality_probability).all()
    assert np.isfinite(evidence.p_value).all()
    # members without any spread lie nearer than the query, whichever taxon it joins
    np.testing.assert_allclose(evidence.pooled_rank_p_value[0], 1 / 9, atol=1e-12)


def test_queries_are_judged_one_by_one(rng):
    Y, scores, labels, size = sample(rng, "aaaaabbbbbbb")
    queries, sizes = rng.normal(size=(4, 5)), rng.normal(size=4)
    model = Membership().fit(Y, scores, labels, size)
    together = model.evidence(queries, queries[:, :2], sizes)
    for q in range(4):
        alone = model.evidence(queries[[q]], queries[[q], :2], sizes[[q]])
        np.testing.assert_allclose(alone.p_value[0], together.p_value[q])
        np.testing.assert_allclose(alone.rank_p_value[0], together.rank_p_value[q])


def test_spread_is_the_distance_from_what_the_others_predict(rng):
    """Left out and predicted by the others, as far away as a query on the same scale."""
    Y, scores, labels, size = sample(rng, "aaaaabbbbbbb")
    spread = Membership().fit(Y, scores, labels, size).spread()
    for i in range(12):
        others = np.arange(12) != i
        part = Membership().fit(Y[others], scores[others], labels[others], size[others])
        evidence = part.evidence(Y[[i]], scores[[i]], size[[i]])
        g = list(evidence.taxa).index(labels[i])
        assert evidence.comparable_distance[0, g] == pytest.approx(spread[i])


def test_one_alone_in_its_taxon_has_no_spread(rng):
    Y, scores, labels, _ = sample(rng, "abbbbb")
    spread = Membership().fit(Y, scores, labels).spread()
    assert np.isnan(spread).tolist() == [True] + [False] * 5


def test_fit_refusals(rng):
    Y, scores, labels, _ = sample(rng, "aaabbb")
    with pytest.raises(InferenceError, match="`Y` has 6 specimens, but `scores` has 5"):
        Membership().fit(Y, scores[:5], labels)
    with pytest.raises(InferenceError, match=r"labels of shape \(4,\) for 6 specimens"):
        Membership().fit(Y, scores, labels[:4])
    with pytest.raises(InferenceError, match="6 specimens in 6 taxa leave no variation"):
        Membership().fit(Y, scores, list("abcdef"))
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        Membership().fit(Y, scores, labels, np.full(6, 2.2))
    with pytest.raises(InferenceError, match=r"`size` must have shape \(6,\)"):
        Membership().fit(Y, scores, labels, [1.0])


def test_evidence_refusals(rng):
    Y, scores, labels, size = sample(rng, "aaabbb")
    model = Membership().fit(Y, scores, labels, size)
    with pytest.raises(InferenceError, match="The fit heeded size"):
        model.evidence(Y[:1], scores[:1])
    with pytest.raises(InferenceError, match=r"`size` must have shape \(2,\)"):
        model.evidence(Y[:2], scores[:2], [1.0])
    with pytest.raises(InferenceError, match="`Y` holds missing"):
        model.evidence(Y[:1] * np.nan, scores[:1], [1.0])
    with pytest.raises(NotFittedError, match="not fitted yet"):
        Membership().evidence(Y, scores)


@pytest.mark.parametrize(
    ("variables", "axes", "rows"),
    [(1, 2, 2), (4, 2, 2), (5, 1, 2), (5, 3, 2), (5, 2, 1), (5, 2, 3)],
)
def test_queries_measured_otherwise_than_the_known_are_refused(rng, variables, axes, rows):
    """Two queries; one variable or one row would otherwise be spread over all in silence."""
    model = Membership().fit(*sample(rng, "aaabbb")[:3])
    with pytest.raises(InferenceError, match=r"`Y`|`scores`"):
        model.evidence(np.zeros((2, variables)), np.zeros((rows, axes)))


def test_clone():
    assert clone(Membership()).get_params() == {}


# ---------------------------------------------------------------- verdicts


def evidence_of(
    p,
    *,
    typical=None,
    pooled=None,
    rank=None,
    axes_rank=None,
    specimens=(10, 10),
    pooled_floor=0.01,
    own_spread=0.001,
    beyond=False,
):
    """Evidence by hand; rows are queries, columns the taxa a and b.

    Unless they are given, both tests give half of `p`, so that twice the smaller is `p`,
    and both rankings stand at their floors.
    """
    p = np.atleast_2d(np.asarray(p, dtype=float))
    specimens = np.asarray(specimens)
    floor = 1 / (specimens + 1)
    filler = np.full(p.shape, 1.0)

    def table(values, default):
        chosen = default if values is None else np.asarray(values, dtype=float)
        return np.broadcast_to(chosen, p.shape)

    return Evidence(
        taxa=np.array(list("abcde"[: p.shape[1]])),
        specimens=specimens,
        procrustes_distance=filler,
        comparable_distance=filler,
        mahalanobis_distance=filler,
        typicality_probability=table(typical, p / 2),
        rank_p_value=table(rank, floor),
        axes_rank_p_value=table(axes_rank, floor),
        own_spread_p_value=table(own_spread, 0.001),
        beyond_sizes=np.broadcast_to(beyond, p.shape),
        rank_floor=floor,
        pooled_rank_p_value=table(pooled, p / 2),
        pooled_rank_floor=table(pooled_floor, np.nan),
        p_value=p,
        posterior_probability=filler / 2,
    )


def verdict(evidence, query=0, alpha=0.05, smallest_taxon=5):
    decision = decide(evidence, query, alpha=alpha, smallest_taxon=smallest_taxon)
    return decision.verdict, decision.ground, decision.taxon


def test_outside_needs_every_test_to_reject():
    assert verdict(evidence_of([0.01, 0.03])) == ("outside", "all_reject", "b")
    assert verdict(evidence_of([0.05, 0.01])) == ("outside", "all_reject", "a")
    assert verdict(evidence_of([0.01, 0.051])) == ("inside", "one_keeps", "b")


def test_the_taxon_that_keeps_best_is_named():
    assert verdict(evidence_of([0.4, 0.3])) == ("inside", "one_keeps", "a")


def test_members_as_far_out_by_both_distances_contradict_a_rejection():
    contradicted = evidence_of([0.01, 0.02], rank=[0.3, 1 / 11], axes_rank=[0.2, 1 / 11])
    assert verdict(contradicted) == ("undecided", "members_contradict", "a")
    # of two taxa that contradict, the one with more members out there is named
    both = evidence_of([0.01, 0.02], rank=[0.2, 0.4], axes_rank=[0.5, 0.3])
    assert verdict(both) == ("undecided", "members_contradict", "b")


def test_members_as_far_out_by_either_distance_contradict():
    for spared in ({"rank": 0.3}, {"axes_rank": 0.3}):
        assert verdict(evidence_of([0.01, 0.02], **spared))[:2] == (
            "undecided",
            "members_contradict",
        )


def test_a_taxon_that_spreads_widely_of_itself_contradicts():
    wide = evidence_of([0.01, 0.02], own_spread=[0.001, 0.2])
    assert verdict(wide)[:2] == ("undecided", "members_contradict")


def test_all_taxa_that_stand_in_the_way_are_told():
    """With what contradicts; and those of both answers where both are undecided."""
    found = evidence_of([0.01, 0.02], rank=[0.2, 1 / 11], own_spread=[0.001, 0.2])
    decision = decide(found, 0, alpha=0.05, smallest_taxon=5)
    assert (decision.ground, decision.blocking) == ("members_contradict", ("a", "b"))
    told = contradictions(found, 0, 0.05)
    assert [one.taxon for one in told] == ["a", "b"]
    np.testing.assert_allclose([one.rank_p_value for one in told], [0.2, np.nan])
    np.testing.assert_allclose([one.own_spread_p_value for one in told], [np.nan, 0.2])
    outside = Decision("outside", "all_reject", "a")
    assert combine(decision, outside) == Decision("undecided", "one_undecided", "a", ("a", "b"))
    other = Decision("undecided", "members_contradict", "c", ("c", "b"))
    assert combine(decision, other).blocking == ("a", "b", "c")
    assert decide(evidence_of([0.01, 0.02]), 0, alpha=0.05, smallest_taxon=5).blocking == ()


def test_a_taxon_known_by_one_specimen_leaves_its_spread_unknown():
    alone = {"specimens": (1, 12), "own_spread": [np.nan, 0.001]}
    assert verdict(evidence_of([0.01, 0.02], **alone)) == ("undecided", "spread_unknown", "a")


def test_growth_beyond_what_was_measured_counts_only_on_one_growth_line():
    beyond = evidence_of([0.01, 0.02], beyond=[False, True])
    assert verdict(beyond)[:2] == ("outside", "all_reject")
    found = decide(beyond, 0, alpha=0.05, smallest_taxon=4, slopes_differ=True)
    assert (found.verdict, found.ground, found.taxon) == ("undecided", "extrapolates", "b")
    # unless the rejection stands at the nearest measured size
    for within, expected in (([0.2, 0.04], "outside"), ([0.01, 0.06], "undecided")):
        found = decide(
            beyond, 0, alpha=0.05, smallest_taxon=4, slopes_differ=True,
            p_within_sizes=np.array(within),
        )  # fmt: skip
        assert found.verdict == expected


def test_small_taxa_alone_decide_nothing():
    small = evidence_of([0.01, 0.02], specimens=(3, 3), rank=0.25, axes_rank=0.25)
    assert verdict(small)[:2] == ("undecided", "few_specimens")


def test_a_single_test_is_made_at_the_whole_level():
    """Without typicality the pooled rank stands alone and need not share the level."""
    alone = {"typical": np.nan, "axes_rank": np.nan, "pooled": 0.04}
    assert verdict(evidence_of([0.04, 0.04], **alone))[1] == "all_reject"
    assert verdict(evidence_of([0.04, 0.04], **alone, rank=0.3))[1] == "members_contradict"


def test_a_ranking_at_its_floor_or_below_alpha_does_not_contradict():
    at_floor = {"rank": [1 / 11, 1 / 11], "axes_rank": [1 / 11, 1 / 11]}
    assert verdict(evidence_of([0.01, 0.02], **at_floor))[1] == "all_reject"
    many = {"specimens": (99, 99), "rank": [0.04, 0.05], "axes_rank": [0.05, 0.02]}
    assert verdict(evidence_of([0.01, 0.02], **many))[1] == "all_reject"
    above = many | {"rank": 0.06, "axes_rank": 0.06}
    assert verdict(evidence_of([0.01, 0.02], **above))[1] == "members_contradict"


def test_a_taxon_too_small_cannot_keep_a_query():
    evidence = evidence_of([0.01, 0.6], specimens=(10, 3))
    assert verdict(evidence) == ("undecided", "few_specimens", "b")
    assert verdict(evidence, smallest_taxon=3) == ("inside", "one_keeps", "b")


def test_a_large_taxon_keeps_where_a_small_one_fits_better():
    assert verdict(evidence_of([0.2, 0.6], specimens=(10, 3))) == ("inside", "one_keeps", "a")


def test_a_sample_that_could_not_have_rejected_decides_nothing():
    """No typicality, and the ranking cannot get below alpha."""
    evidence = evidence_of([0.2, 0.4], typical=np.nan, pooled_floor=0.2)
    assert verdict(evidence) == ("undecided", "no_power", "b")
    # either test would do
    assert verdict(evidence_of([0.2, 0.4], typical=np.nan, pooled_floor=0.05))[0] == "inside"
    assert verdict(evidence_of([0.2, 0.4], typical=0.4, pooled_floor=0.2))[0] == "inside"


def test_each_query_is_decided_by_its_own_row():
    """Five queries in one table decide as each does alone."""
    p = [[0.01, 0.02], [0.3, 0.01], [0.01, 0.6], [0.2, 0.4], [0.2, 0.4]]
    typical = np.array([[0.1, 0.1]] * 3 + [[np.nan, np.nan]] * 2)
    floors = [[0.01, 0.01]] * 3 + [[0.2, 0.2], [0.01, 0.01]]
    together = evidence_of(p, typical=typical, pooled_floor=floors)
    alone = [
        verdict(evidence_of(p[q], typical=typical[q], pooled_floor=floors[q])) for q in range(5)
    ]
    assert [v for v, _, _ in alone] == ["outside", "inside", "inside", "undecided", "inside"]
    assert [verdict(together, query=q) for q in range(5)] == alone


AS_IS = {v: Decision(v, f"{v} as it is", "a") for v in ("outside", "inside", "undecided")}
HEEDED = {v: Decision(v, f"{v} at its size", "b") for v in ("outside", "inside", "undecided")}


@pytest.mark.parametrize(
    ("as_is", "heeded", "expected"),
    [
        ("outside", "outside", HEEDED["outside"]),
        ("inside", "inside", HEEDED["inside"]),
        ("undecided", "undecided", HEEDED["undecided"]),
        ("outside", "inside", Decision("inside", "size_explains", "b")),
        ("inside", "outside", Decision("undecided", "size_hides", "a")),
        ("undecided", "inside", HEEDED["inside"]),
        ("inside", "undecided", Decision("undecided", "one_undecided", "b")),
        ("outside", "undecided", Decision("undecided", "one_undecided", "b")),
        ("undecided", "outside", Decision("undecided", "one_undecided", "a")),
    ],
)
def test_two_decisions_make_one(as_is, heeded, expected):
    assert combine(AS_IS[as_is], HEEDED[heeded]) == expected


def test_all_taxa_that_keep_a_query_are_kept_in_the_order_of_their_distance():
    """Not in that of their p-values; a taxon too small to judge by keeps nothing."""
    evidence = evidence_of([0.97, 0.01, 1.0, 0.36, 0.9], specimens=(9, 9, 9, 9, 2))
    evidence = replace(evidence, comparable_distance=np.array([[0.3, 0.05, 0.2, 0.1, 0.01]]))
    decision = decide(evidence, 0, alpha=0.05, smallest_taxon=5)
    assert (decision.verdict, decision.taxon, decision.kept) == ("inside", "c", ("d", "c", "a"))
    outside, other = Decision("outside", "all_reject", "a"), Decision("inside", "one_keeps", "b")
    other = replace(other, kept=("b", "a"))
    assert combine(outside, decision).kept == combine(other, decision).kept == ("d", "c", "a")
    assert combine(other, outside).kept == ("b", "a")
    assert combine(outside, outside).kept == ()


def test_without_size_the_first_decision_stands():
    for decision in AS_IS.values():
        assert combine(decision, None) is decision
