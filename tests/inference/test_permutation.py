"""The permutation runner: exact or sampled, ties, counts, seeds, blocks."""

from __future__ import annotations

import math
from itertools import permutations as all_orders

import numpy as np
import pytest

from morpho.inference.models import permutation
from morpho.inference.models.permutation import PermutationResult, permutation_test, tail_p_value


def difference(values, split):
    """Statistic: distance between the means of the first `split` and of the others."""
    values = np.asarray(values, dtype=float)

    def statistic(orders):
        moved = values[orders]
        apart = moved[:, :split].mean(axis=1) - moved[:, split:].mean(axis=1)
        return np.abs(apart)[:, None]

    return statistic


VALUES = [0.3, 1.9, 1.1, 4.0, 3.2]


def test_all_orders_are_gone_through_once_when_they_are_few():
    seen = []

    def statistic(orders):
        seen.extend(map(tuple, orders.tolist()))
        return difference(VALUES, 2)(orders)

    result = permutation_test(statistic, 5, permutations=120)
    assert result.exact
    assert result.count == 120
    # the first call is the observed order
    assert seen[0] == (0, 1, 2, 3, 4)
    assert sorted(seen[1:]) == sorted(all_orders(range(5)))


def test_exact_p_value_against_enumeration_by_hand():
    values = np.array(VALUES)
    null = [
        abs(values[list(o)][:2].mean() - values[list(o)][2:].mean()) for o in all_orders(range(5))
    ]
    observed = null[0]
    expected = sum(n >= observed - 1e-12 for n in null) / math.factorial(5)
    result = permutation_test(difference(VALUES, 2), 5, permutations=10_000)
    assert result.p_value[0] == pytest.approx(expected, abs=0)
    assert result.observed[0] == pytest.approx(observed)


def test_one_order_fewer_is_sampled():
    result = permutation_test(difference(VALUES, 2), 5, permutations=119, random_state=0)
    assert not result.exact
    assert result.count == 119
    reached = (result.null[:, 0] >= result.observed[0] * (1 - 1e-10)).sum()
    assert result.p_value[0] == (reached + 1) / 120


def test_sampled_comes_near_exact():
    values = np.arange(7.0) ** 2
    exact = permutation_test(difference(values, 3), 7, permutations=5040)
    sampled = permutation_test(difference(values, 3), 7, permutations=4000, random_state=1)
    assert exact.exact
    assert not sampled.exact
    p = exact.p_value[0]
    assert abs(sampled.p_value[0] - p) < 4 * math.sqrt(p * (1 - p) / 4000) + 1 / 4000


def test_a_sampled_p_value_is_never_zero():
    values = np.r_[np.zeros(15), np.full(15, 100.0)]
    result = permutation_test(difference(values, 15), 30, permutations=99, random_state=0)
    assert result.p_value[0] == 0.01


def test_ties_count_in_spite_of_rounding():
    """Sums in another order differ in the last digit; they are ties all the same."""
    observed = np.array([0.1 + 0.2 + 0.3])
    null = np.array([[0.3 + 0.2 + 0.1], [0.0], [0.0]])
    assert null[0, 0] < observed[0]
    assert tail_p_value(observed, null, exact=True)[0] == pytest.approx(1 / 3)
    assert tail_p_value(observed, null)[0] == pytest.approx(2 / 4)
    # a real difference is none
    assert tail_p_value(np.array([1.0]), np.array([[1 - 1e-6]]))[0] == 0.5


def test_a_statistic_that_never_varies_has_p_one():
    result = permutation_test(lambda orders: np.ones((len(orders), 1)), 9, permutations=50)
    assert result.p_value[0] == 1
    assert np.isnan(result.effect_size()[0])


def test_no_permutations_give_no_p_value():
    result = permutation_test(difference(VALUES, 2), 5, permutations=0)
    assert np.isnan(result.p_value).all()
    assert np.isnan(result.effect_size()).all()
    assert result.count == 0
    assert not result.exact
    assert result.observed[0] > 0


def test_a_negative_count_is_refused():
    with pytest.raises(ValueError, match="`permutations` must be 0 or more, but is -1"):
        permutation_test(difference(VALUES, 2), 5, permutations=-1)


def test_same_seed_same_numbers():
    values = np.random.default_rng(3).normal(size=20)

    def run(seed):
        return permutation_test(difference(values, 8), 20, permutations=200, random_state=seed)

    np.testing.assert_array_equal(run(5).null, run(5).null)
    np.testing.assert_array_equal(run(5).null, run(np.random.default_rng(5)).null)
    assert not np.array_equal(run(5).null, run(6).null)


@pytest.mark.parametrize(("n", "count"), [(20, 203), (5, 120)])
@pytest.mark.parametrize("block", [1, 7, 10_000])
def test_blocks_do_not_change_results(monkeypatch, n, count, block):
    values = np.random.default_rng(3).normal(size=n)
    usual = permutation_test(difference(values, 2), n, permutations=count, random_state=4)
    monkeypatch.setattr(permutation, "_BLOCK", block)
    other = permutation_test(difference(values, 2), n, permutations=count, random_state=4)
    np.testing.assert_array_equal(usual.null, other.null)
    np.testing.assert_array_equal(usual.p_value, other.p_value)


def test_every_order_drawn_is_a_permutation():
    def statistic(orders):
        np.testing.assert_array_equal(
            np.sort(orders, axis=1), np.tile(np.arange(9), (len(orders), 1))
        )
        return orders[:, :1].astype(float)

    result = permutation_test(statistic, 9, permutations=3000, random_state=0)
    # and every specimen comes first about as often
    counts = np.bincount(result.null[:, 0].astype(int), minlength=9)
    assert ((counts - 3000 / 9) ** 2 / (3000 / 9)).sum() < 26  # chi-squared, 8 df, p = 0.001


def test_several_statistics_share_the_orders():
    values = np.random.default_rng(3).normal(size=12)
    one = difference(values, 5)
    result = permutation_test(
        lambda orders: np.hstack([one(orders), 2 * one(orders)]),
        12,
        permutations=99,
        random_state=0,
    )
    np.testing.assert_allclose(result.null[:, 1], 2 * result.null[:, 0])
    assert result.p_value[0] == result.p_value[1]


def test_effect_size_by_hand():
    null = np.array([[1.0, 1.0], [np.e, 2.0], [np.e**2, 3.0]])
    result = PermutationResult(np.array([np.e**4, -1.0]), null, False, np.array([0.1, 1.0]))
    # logs 0, 1, 2: mean 1, standard deviation 1; observed log 4
    assert result.effect_size()[0] == pytest.approx(3)
    assert np.isnan(result.effect_size()[1])


def test_effect_size_is_missing_where_a_null_statistic_is_not_positive():
    result = PermutationResult(
        np.array([2.0, 2.0]), np.array([[0.0, 1.0], [1.0, 3.0]]), False, np.array([0.3, 0.3])
    )
    assert np.isnan(result.effect_size()[0])
    assert np.isfinite(result.effect_size()[1])


def test_a_statistic_that_is_no_number_has_no_p_value():
    assert np.isnan(tail_p_value(np.array([np.nan]), np.array([[1.0], [2.0]]))[0])


def test_null_statistics_that_are_no_numbers_do_not_speak_against_the_null():
    """A failed permutation must never make a result look significant."""
    p = tail_p_value(np.array([1.0]), np.full((9, 1), np.nan))[0]
    assert np.isnan(p) or p == 1


def test_an_infinite_statistic_ties_with_infinite_ones():
    assert tail_p_value(np.array([np.inf]), np.full((9, 1), np.inf))[0] == 1


def test_specimens_change_places_within_their_group_only():
    seen = []

    def statistic(orders):
        seen.append(orders)
        return orders[:, :1].astype(float)

    within = np.array(list("babba"))
    result = permutation_test(statistic, 5, permutations=200, within=within, random_state=3)
    # never all orders gone through: those within groups are another, smaller set
    assert (result.count, result.exact) == (200, False)
    orders = np.concatenate(seen[1:])
    assert (within[orders] == within).all()
    assert {tuple(order) for order in orders[:, within == "a"].tolist()} == {(1, 4), (4, 1)}
    assert len(np.unique(orders[:, within == "b"], axis=0)) == 6


def test_each_of_three_groups_keeps_its_own():
    seen = []

    def statistic(orders):
        seen.append(orders)
        return orders[:, :1].astype(float)

    within = np.array(list("cabbacab"))
    permutation_test(statistic, 8, permutations=60, within=within, random_state=4)
    orders = np.concatenate(seen[1:])
    assert orders.shape == (60, 8)
    assert (np.sort(orders, axis=1) == np.arange(8)).all()
    assert (within[orders] == within).all()
