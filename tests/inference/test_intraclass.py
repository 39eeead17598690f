"""Repeatability from mean squares: by hand, with unequal numbers, and its interval."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.data.repeatability import repeatability, variance_parts
from morpho.inference.models.design import InferenceError


def measured(rng, n, replicates, between=1.0, within=0.5, p=1):
    """Specimens drawn, then measured `replicates` times (a number, or one for each)."""
    specimens = np.repeat(np.arange(n), replicates)
    true = between * rng.normal(size=(n, p))
    return true[specimens] + within * rng.normal(size=(len(specimens), p)), specimens


def test_by_hand(rng):
    """Mean squares of a one-way analysis of variance as a loop, unequal numbers included."""
    Y, specimens = measured(rng, 5, [1, 2, 3, 4, 2], p=3)
    between = within = 0.0
    for i in range(5):
        mine = Y[specimens == i]
        between += len(mine) * ((mine.mean(axis=0) - Y.mean(axis=0)) ** 2).sum()
        within += ((mine - mine.mean(axis=0)) ** 2).sum()
    n0 = (12 - (1 + 4 + 9 + 16 + 4) / 12) / 4
    ms_between, ms_within = between / 4, within / 7
    found = repeatability(Y, specimens)
    assert found.replicates == pytest.approx(n0)
    expected = (ms_between - ms_within) / (ms_between + (n0 - 1) * ms_within)
    assert found.value == pytest.approx(expected)
    assert (found.specimens, found.digitisations) == (5, 12)
    assert found.low < found.value < found.high


def test_within_taxa_by_hand(rng):
    Y, specimens = measured(rng, 6, [2, 2, 3, 1, 2, 4], p=2)
    taxa = np.array(["coast", "marsh"])[(specimens > 2).astype(int)]
    between = sum(
        (specimens == i).sum()
        * (
            (Y[specimens == i].mean(axis=0) - Y[taxa == taxa[specimens == i][0]].mean(axis=0)) ** 2
        ).sum()
        for i in range(6)
    )
    parts = variance_parts(Y, specimens, taxa)
    assert np.trace(parts[0]) * 4 == pytest.approx(between)
    assert parts[2] == pytest.approx((14 - (4 + 4 + 9) / 7 - (1 + 4 + 16) / 7) / 4)
    assert parts[3:] == (4, 8)


def test_taxa_far_apart_do_not_count_within_taxa(rng):
    Y, specimens = measured(rng, 12, 2, between=0.5, within=0.5)
    taxa = specimens // 6
    near = repeatability(Y, specimens, taxa)
    far = repeatability(Y + 50 * taxa[:, None], specimens, taxa)
    assert far.value == pytest.approx(near.value)
    assert repeatability(Y + 50 * taxa[:, None], specimens).value > 0.99


def test_the_truth_is_recovered(rng):
    Y, specimens = measured(rng, 3000, rng.integers(1, 5, 3000), between=1.0, within=0.5)
    assert repeatability(Y, specimens).value == pytest.approx(1 / 1.25, abs=0.02)


def test_one_number_for_all_variables_of_one_kind(rng):
    """Copies of one variable change nothing, as its effective degrees of freedom are counted."""
    Y, specimens = measured(rng, 8, 3)
    one, three = repeatability(Y, specimens), repeatability(np.hstack([Y] * 3), specimens)
    for name in ("value", "low", "high"):
        assert getattr(three, name) == pytest.approx(getattr(one, name))


@pytest.mark.parametrize("p", [1, 6])
def test_the_interval_holds_the_truth_as_often_as_it_says(p):
    """Exact for one variable; for several of unequal variance near enough, or wider."""
    rng = np.random.default_rng(7)
    scale = np.linspace(1, 0.2, p)
    inside = 0
    for _ in range(400):
        Y, specimens = measured(rng, 12, 3, p=p)
        found = repeatability(Y * scale, specimens, confidence=0.9)
        inside += found.low <= 1 / 1.25 <= found.high
    low, high = (340, 378) if p == 1 else (345, 395)
    assert low <= inside <= high


def test_perfect_replicates_and_replicates_at_odds():
    assert repeatability([[1.0], [1.0], [2.0], [2.0]], [0, 0, 1, 1]).value == 1
    assert repeatability([[1.0], [2.0], [1.0], [2.0]], [0, 0, 1, 1]).value == pytest.approx(-1)


@pytest.mark.parametrize(
    ("specimens", "taxa", "said"),
    [
        ([0, 1, 2, 3], None, "No specimen was digitised twice"),
        ([0, 0, 0, 0], None, "there is one specimen"),
        ([0, 0, 1, 1], ["a", "a", "b", "b"], "each taxon has but one specimen"),
        ([0, 0, 1, 1], ["a", "b", "b", "b"], "more than one taxon: 0"),
        ([0, 0, 1], None, r"labels of shape \(3,\) for 4"),
    ],
)
def test_what_is_refused(specimens, taxa, said):
    with pytest.raises(InferenceError, match=said):
        repeatability([[1.0], [2.0], [4.0], [7.0]], specimens, taxa)


def test_no_variation_and_a_wrong_confidence():
    with pytest.raises(InferenceError, match="do not vary"):
        repeatability(np.ones((4, 1)), [0, 0, 1, 1])
    for confidence in (0, 1, 1.5, 95):
        with pytest.raises(InferenceError, match="`confidence`"):
            repeatability([[1.0], [2.0], [4.0], [7.0]], [0, 0, 1, 1], confidence=confidence)
