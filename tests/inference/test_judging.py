"""One judgement: both ways of regarding size held to one reference, and what is told of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from morpho.inference.membership.judging import Rules, Shapes, judge

RULES = Rules(0.05, 5, None, 1)


def sample(rng, counts=(14, 12), p=9, queries=(0.0, 30.0)):
    """Taxa apart, and queries so far from the first one's mean."""
    taxon = np.repeat(list("ab")[: len(counts)], counts)
    Y = rng.normal(size=(len(taxon), p)) + 8.0 * (taxon == "b")[:, None] * np.eye(1, p)
    away = np.outer(queries, np.eye(2, p)[1])
    known = Shapes(Y, rng.normal(3, 0.2, len(taxon)), taxon)
    return known, Shapes(away, np.full(len(queries), 3.0), np.full(len(queries), ""))


def test_a_query_is_as_strange_as_its_nearest_taxon_and_the_nearer_way_tell(rng):
    known, queries = sample(rng)
    found = judge(known, queries, RULES)
    ways = found.evidence.values()
    ranked = np.sort(found.strangeness)
    np.testing.assert_array_equal(ranked, found.reference.strangeness)
    for i in range(2):
        told = found.facts(i)
        strangeness = min(each.relative_distance[i].min() for each in ways)
        assert told["strangeness"] == strangeness
        assert told["known_as_strange"] == (ranked >= strangeness).sum()
        assert (told["known_ranked"], told["by_ranks"]) == (26, True)
        largest = max(told["p_value_as_it_is"], told["p_value_size_heeded"])
        # the larger of the two is the rank, or that within the taxon where it has twenty
        assert largest == pytest.approx((1 + told["known_as_strange"]) / 27)
    assert [v.verdict for v in found.verdicts] == ["inside", "outside"]
    assert found.facts(0)["nearest_taxon"] == "a" == found.facts(0)["taxa_not_rejected"]
    assert found.facts(1)["taxa_not_rejected"] == ""


def test_without_queries_there_is_a_reference_and_no_decision(rng):
    known, queries = sample(rng)
    none = Shapes(queries.tangent[:0], queries.log_size[:0], queries.taxon[:0])
    found = judge(known, none, RULES)
    assert found.verdicts == found.decisions == []
    assert len(found.reference.strangeness) == 26


def test_too_few_known_specimens_give_no_decision_and_say_why(rng):
    known, queries = sample(rng, (1, 1))
    found = judge(known, queries, RULES)
    assert found.reference is None
    assert found.verdicts == []
    assert {error.code for error in found.trouble.values()} <= {"few_per_taxon", "one_size"}
    assert set(found.trouble) == {False, True}


def test_where_sizes_do_not_vary_one_way_is_left(rng):
    known, queries = sample(rng)
    level = replace(known, log_size=np.full(26, 3.0))
    found = judge(level, queries, RULES)
    assert found.trouble[True].code == "one_size"
    assert np.isnan(found.facts(0)["p_value_size_heeded"])
    assert [v.verdict for v in found.verdicts] == ["inside", "outside"]


@pytest.mark.parametrize(("slopes", "ground"), [(None, "all_reject"), (0.01, "extrapolates")])
def test_beyond_measured_sizes_it_must_be_outside_at_the_nearest_as_well(rng, slopes, ground):
    """A query where its taxon's largest are, and twice as large: only a growth line rejects it."""
    known, _ = sample(rng, (25, 25))
    line = 20 * np.eye(3, 9)[2]
    grown = known.tangent + (known.log_size - 3)[:, None] * line
    known = replace(known, tangent=grown)
    largest = known.log_size.max()
    query = Shapes(((largest - 3) * line)[None], np.array([largest + 3]), np.array([""]))
    found = judge(known, query, replace(RULES, slopes_p_value=slopes))
    assert found.decisions[0][True].ground == ground
    assert found.evidence[True].beyond_sizes.all()
    assert found.own_slopes == (() if slopes is None else ("a", "b"))


@pytest.mark.parametrize(
    ("counts", "grounds"),
    [
        ((14, 1), ["one_keeps", "spread_unknown"]),
        ((9,), ["one_keeps", "all_reject"]),
        ((4, 3), ["few_specimens", "few_specimens"]),
        ((3,), ["few_specimens", "few_specimens"]),
    ],
)
def test_few_taxa_and_few_specimens_have_grounds_of_their_own(counts, grounds):
    known, queries = sample(np.random.default_rng(4), counts, queries=(0.0, 300.0))
    assert [v.ground for v in judge(known, queries, RULES).verdicts] == grounds
