"""Strangeness ranked: p-values by counting, by scipy where ranks cannot reach, and their level."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from morpho.inference.membership.calibrated import Reference
from morpho.inference.membership.known_taxa import KnownTaxa

ALPHA = 0.05


def reference(pooled, *within, alpha=ALPHA):
    return Reference(np.sort(pooled), tuple(np.sort(own) for own in within), alpha)


def counted(known, far):
    return (1 + sum(one >= far for one in known)) / (1 + len(known))


def test_p_values_are_counted(rng):
    """Among all; in a taxon with specimens enough among its own as well, the larger of the two."""
    pooled, many, few = rng.normal(5, 1, 60), rng.normal(6, 1, 19), rng.normal(9, 1, 18)
    held = reference(pooled, many, few)
    queries = rng.normal(6, 1.5, size=(40, 2))
    p = held.p_values(queries)
    for (far_many, far_few), (p_many, p_few) in zip(queries, p, strict=True):
        assert p_many == pytest.approx(max(counted(pooled, far_many), counted(many, far_many)))
        assert p_few == pytest.approx(counted(pooled, far_few))
    for far in queries[:, 0]:
        assert held.as_strange(far) == (pooled >= far).sum()


@pytest.mark.parametrize(("n", "ranked"), [(18, False), (19, True), (20, True)])
def test_nineteen_are_enough_to_rank_by_at_one_in_twenty(rng, n, ranked):
    assert reference(rng.normal(5, 1, n), []).ranked == ranked


def test_ties_count_as_strange_even_when_rounded():
    held = reference(np.repeat([1.0, 2.0], 20), [])
    p = held.p_values(np.array([[2.0], [2.0 * (1 + 1e-13)], [2.0 * (1 + 1e-7)], [1.0]]))
    np.testing.assert_allclose(p[:, 0], [21 / 41, 21 / 41, 1 / 41, 1.0])
    assert [held.as_strange(far) for far in (2.0, 3.0, 0.1)] == [20, 0, 40]


@pytest.mark.parametrize("n", [3, 8, 18])
def test_too_few_are_held_to_a_normal_variable_by_scipy(rng, n):
    """Of its logarithm as a new observation: a t-test of one against n, standard error widened."""
    known, far = np.exp(rng.normal(0, 0.3, n)), np.exp(rng.normal(0.5, 0.5, 9))
    p = reference(known, []).p_values(far[:, None])[:, 0]
    for one, found in zip(far, p, strict=True):
        test = stats.ttest_ind([np.log(one)], np.log(known), alternative="greater")
        assert found == pytest.approx(stats.t.sf(test.statistic / 1.15, n - 1))


def test_of_two_nothing_is_said_and_of_those_alike_neither():
    """Nor of those that are alike but for rounding."""
    for known in ([], [1.0, 2.0], [1.5] * 6, 1.5 + 1e-15 * np.arange(6)):
        assert np.isnan(reference(known, []).p_values(np.array([[3.0]]))).all()
        assert not np.isfinite(reference(known, []).critical()).any()
    assert np.isnan(reference(np.ones(30), []).p_values(np.array([[np.nan]]))).all()


@pytest.mark.parametrize("n", [3, 12, 19, 20, 39, 57])
@pytest.mark.parametrize("alpha", [0.05, 0.1])
def test_beyond_the_critical_distance_a_taxon_rejects_and_not_before(rng, n, alpha):
    pooled, own = rng.exponential(size=n), 2 * rng.exponential(size=25)
    held = reference(pooled, own, own[:4], alpha=alpha)
    critical = held.critical()
    assert (held.p_values(critical[None] * (1 + 1e-6)) <= alpha).all()
    assert (held.p_values(critical[None] * (1 - 1e-6)) > alpha).all()


def test_the_nearest_taxon_and_the_nearer_way_tell_how_strange_a_specimen_is(rng):
    """A specimen that is alone in its taxon, or exactly fitted in one way, is not ranked."""
    labels, size = np.array(list("aaaaabbbbbbc")), rng.normal(size=12)
    Y = rng.normal(size=(12, 6))
    ways = [KnownTaxa(Y, labels), KnownTaxa(Y, labels, size)]
    held = Reference.of([way.left_out for way in ways], ways[0].columns, ALPHA)
    nearest = np.minimum(*(way.left_out.relative for way in ways))
    np.testing.assert_allclose(held.strangeness, np.sort(nearest[:-1].min(axis=1)))
    for own, column, part in zip(held.within, nearest.T, ("a", "b", "c"), strict=True):
        np.testing.assert_allclose(own, np.sort(column[(labels == part) & (labels != "c")]))


@pytest.mark.parametrize("n", [19, 30, 39, 79])
def test_ranks_hold_their_level_exactly_where_all_are_exchangeable(n):
    """Of n + 1 values each is once the query: just floor(alpha (n + 1)) of them are rejected."""
    values = np.random.default_rng(n).standard_cauchy(n + 1)
    p = [reference(np.delete(values, i), []).p_values(values[[[i]]])[0, 0] for i in range(n + 1)]
    np.testing.assert_allclose(np.sort(p), np.arange(1, n + 2) / (n + 1))
    assert (np.array(p) <= ALPHA + 1e-12).sum() == int(ALPHA * (n + 1) + 1e-9)


@pytest.mark.parametrize("n", [4, 10, 18])
def test_the_normal_fallback_holds_its_level(n):
    """2,000 log-normal studies: below the level, as the deviation is widened, and not by much."""
    rng = np.random.default_rng(n)
    known, far = np.exp(rng.normal(size=(2, 2000, n)) * 0.3)
    p = np.array(
        [reference(a, []).p_values(b[:1, None])[0, 0] for a, b in zip(known, far, strict=True)]
    )
    assert 0.015 < (p <= ALPHA).mean() < 0.05
    assert stats.kstest(p, "uniform", alternative="less").statistic < 0.1
