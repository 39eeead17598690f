"""From evidence to a verdict: every branch, and every boundary on both of its sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.verdict import (
    Contradiction,
    Decision,
    combine,
    contradictions,
    decide,
    over_imputations,
)

ALPHA = 0.05
JUST_BELOW, JUST_ABOVE = np.nextafter(ALPHA, 0), np.nextafter(ALPHA, 1)


def evidence(p=(0.01, 0.02, 0.03), **changed):
    """One query against taxa a, b and c; by default each test rejects and none contradicts."""
    row = np.array([p], dtype=float)
    n = row.shape[1]
    given = {
        "taxa": np.array(["a", "b", "c", "d"][:n]),
        "specimens": np.full(n, 20),
        "procrustes_distance": np.arange(n, 0, -1)[None] / 10,
        "comparable_distance": np.arange(n, 0, -1)[None] / 10,
        "mahalanobis_distance": row,
        "typicality_probability": row / 2,
        "rank_p_value": np.full((1, n), 0.04),
        "rank_floor": np.full(n, 0.04),
        "axes_rank_p_value": np.full((1, n), 0.04),
        "own_spread_p_value": np.full((1, n), 0.01),
        "pooled_rank_p_value": row / 2,
        "pooled_rank_floor": np.full((1, n), 0.01),
        "p_value": row,
        "posterior_probability": np.full((1, n), 1 / n),
        "beyond_sizes": np.zeros((1, n), dtype=bool),
    }
    for name, value in changed.items():
        old = given[name]
        given[name] = np.array(value if old.ndim == 1 else [value], dtype=old.dtype)
    return Evidence(**given)


def decided(found, **changed):
    return decide(found, 0, **({"alpha": ALPHA, "smallest_taxon": 5} | changed))


# ---------------------------------------------------------------- outside


def test_outside_where_every_test_rejects():
    """The taxon is that with the largest p-value."""
    assert decided(evidence()) == Decision("outside", "all_reject", "c")
    assert decided(evidence((0.03, 0.01, 0.02))).taxon == "a"


@pytest.mark.parametrize(
    ("p", "verdict"), [(JUST_BELOW, "outside"), (ALPHA, "outside"), (JUST_ABOVE, "inside")]
)
def test_a_p_value_of_just_the_level_rejects(p, verdict):
    assert decided(evidence((0.01, p, 0.02))).verdict == verdict


# ---------------------------------------------------------------- what contradicts


@pytest.mark.parametrize("name", ["rank_p_value", "axes_rank_p_value"])
@pytest.mark.parametrize(
    ("rank", "floor", "against"),
    [
        (0.04, 0.04, False),  # at its floor
        (0.2, 0.2, False),  # at a floor above the level: it can go no lower
        (0.2 + 5e-11, 0.2, False),  # rounding
        (0.2 + 2e-10, 0.2, True),
        (0.25, 0.2, True),
        (ALPHA, 0.01, False),
        (JUST_ABOVE, 0.01, True),
        (np.nan, 0.01, False),
    ],
)
def test_a_member_as_far_out_contradicts(name, rank, floor, against):
    """Above its floor and above the level, in either of the two ranks."""
    other = {"rank_p_value": "axes_rank_p_value", "axes_rank_p_value": "rank_p_value"}[name]
    low = [0.001, 0.001, 0.001]
    found = evidence(**{name: [0.001, rank, 0.001], other: low}, rank_floor=[0.001, floor, 0.001])
    told = contradictions(found, 0, ALPHA)
    assert [one.taxon for one in told] == (["b"] if against else [])
    assert decided(found) == (
        Decision("undecided", "members_contradict", "b", ("b",))
        if against
        else Decision("outside", "all_reject", "c")
    )
    if against:
        assert told[0].rank_p_value == rank
        assert np.isnan(told[0].own_spread_p_value)


@pytest.mark.parametrize(("own", "against"), [(ALPHA, False), (JUST_ABOVE, True), (np.nan, False)])
def test_a_wide_spread_of_its_own_contradicts(own, against):
    found = evidence(own_spread_p_value=[0.01, 0.01, own])
    told = contradictions(found, 0, ALPHA)
    assert len(told) == against
    if against:
        assert told[0].taxon == "c"
        assert told[0].own_spread_p_value == own
        assert np.isnan(told[0].rank_p_value)
        assert decided(found) == Decision("undecided", "members_contradict", "c", ("c",))


@pytest.mark.parametrize("name", ["rank_p_value", "axes_rank_p_value"])
def test_a_rank_that_is_not_known_hides_no_other(name):
    ranks = {"rank_p_value": [0.5, 0.01, 0.01], "axes_rank_p_value": [0.5, 0.01, 0.01]}
    found = evidence(**(ranks | {name: [np.nan, 0.01, 0.01]}))
    assert contradictions(found, 0, ALPHA)[0].rank_p_value == 0.5


def test_a_spread_at_the_level_is_none_of_what_contradicts():
    found = evidence(rank_p_value=[0.5, 0.01, 0.01], own_spread_p_value=[ALPHA, 0.01, 0.01])
    assert np.isnan(contradictions(found, 0, ALPHA)[0].own_spread_p_value)


def test_all_that_contradict_block_and_the_one_of_the_largest_rank_is_named():
    found = evidence(
        rank_p_value=[0.5, 0.3, 0.9], axes_rank_p_value=[0.04, 0.6, 0.04],
        rank_floor=[0.1, 0.1, 0.95], own_spread_p_value=[0.2, 0.01, 0.01],
    )  # fmt: skip
    told = contradictions(found, 0, ALPHA)
    assert told[0] == Contradiction("a", 0.5, 0.2)
    # the larger of the two ranks
    assert (told[1].taxon, told[1].rank_p_value) == ("b", 0.6)
    assert decided(found) == Decision("undecided", "members_contradict", "a", ("a", "b"))


# ---------------------------------------------------------------- what else blocks


def test_a_taxon_of_one_leaves_its_spread_unknown():
    found = evidence((0.02, 0.03, 0.01), specimens=[1, 20, 1])
    assert decided(found) == Decision("undecided", "spread_unknown", "a", ("a", "c"))
    assert decided(evidence(specimens=[2, 20, 2])).verdict == "outside"


def test_what_contradicts_comes_before_a_spread_that_is_not_known():
    found = evidence(specimens=[1, 20, 20], own_spread_p_value=[0.01, 0.2, 0.01])
    assert decided(found).ground == "members_contradict"


def test_a_rejection_beyond_measured_sizes_proves_nothing_where_slopes_differ():
    found = evidence((0.01, 0.02, 0.03), beyond_sizes=[True, True, False])
    turned = Decision("undecided", "extrapolates", "b", ("a", "b"))
    assert decided(found, slopes_differ=True) == turned
    assert decided(found).verdict == "outside"
    assert decided(evidence(), slopes_differ=True).verdict == "outside"


@pytest.mark.parametrize(
    ("within", "verdict"), [(ALPHA, "outside"), (JUST_ABOVE, "undecided"), (0.01, "outside")]
)
def test_it_stands_where_it_stands_at_the_nearest_measured_size(within, verdict):
    found = evidence(beyond_sizes=[True, False, False])
    p = np.array([within, 0.9, 0.9])  # those within measured sizes have no say
    assert decided(found, slopes_differ=True, p_within_sizes=p).verdict == verdict


def test_a_spread_that_is_not_known_comes_before_extrapolation():
    found = evidence(specimens=[20, 1, 20], beyond_sizes=[True, True, True])
    assert decided(found, slopes_differ=True).ground == "spread_unknown"


# ---------------------------------------------------------------- inside, or too little


def test_inside_where_a_taxon_keeps_it():
    """The taxon has the largest p-value; all that keep it are named, the nearest first."""
    found = evidence((0.6, 0.01, 0.2))
    assert decided(found) == Decision("inside", "one_keeps", "a", kept=("c", "a"))


@pytest.mark.parametrize(("specimens", "verdict"), [(5, "inside"), (4, "undecided")])
def test_a_small_taxon_keeps_nobody(specimens, verdict):
    """A taxon of just the smallest size is large enough."""
    found = evidence((0.6, 0.01, 0.01), specimens=[specimens, 20, 20])
    told = decided(found)
    assert told.verdict == verdict
    if verdict == "undecided":
        assert told == Decision("undecided", "few_specimens", "a")
        assert told.kept == ()


def test_a_small_taxon_beside_one_that_keeps_is_not_named():
    found = evidence((0.6, 0.3, 0.01), specimens=[4, 20, 20])
    assert decided(found) == Decision("inside", "one_keeps", "b", kept=("b",))


def test_where_all_taxa_are_small_nothing_is_concluded():
    few = [4, 3, 2]
    assert decided(evidence(specimens=few)) == Decision("undecided", "few_specimens", "c")
    assert decided(evidence((0.6, 0.1, 0.1), specimens=few)).ground == "few_specimens"
    assert decided(evidence(specimens=[5, 3, 2])).verdict == "outside"


@pytest.mark.parametrize(
    ("floor", "verdict"), [(ALPHA, "inside"), (JUST_ABOVE, "undecided"), (0.01, "inside")]
)
def test_ranks_alone_must_be_able_to_reject(floor, verdict):
    """Without a typicality probability; one test then, and its floor is that of the p-value."""
    found = evidence(
        (0.6, 0.6, 0.6), typicality_probability=[np.nan] * 3, pooled_rank_floor=[floor] * 3
    )
    told = decided(found)
    assert told.verdict == verdict
    if verdict == "undecided":
        assert told == Decision("undecided", "no_power", "a")


def test_a_taxon_with_both_tests_is_able_whatever_the_floor_of_ranks():
    found = evidence((0.6, 0.01, 0.01), pooled_rank_floor=[0.9] * 3)
    assert decided(found).verdict == "inside"


def test_a_taxon_that_could_not_reject_keeps_nobody_beside_a_small_one_that_could():
    """The ground is then the small one."""
    found = evidence(
        (0.6, 0.6, 0.01), specimens=[20, 4, 20],
        typicality_probability=[np.nan, 0.3, 0.005], pooled_rank_floor=[0.9, 0.01, 0.01],
    )  # fmt: skip
    assert decided(found) == Decision("undecided", "few_specimens", "a")


# ---------------------------------------------------------------- with and without size

OUT = Decision("outside", "all_reject", "a")
IN = Decision("inside", "one_keeps", "b", kept=("b", "c"))
IN_AS_IT_IS = Decision("inside", "one_keeps", "a", kept=("a",))
BLOCKED = Decision("undecided", "members_contradict", "c", ("c",))
ALSO = Decision("undecided", "spread_unknown", "d", ("d", "c"))


def test_without_regard_to_size_where_it_cannot_be_heeded():
    for one in (OUT, IN, BLOCKED):
        assert combine(one, None) is one


@pytest.mark.parametrize(
    ("as_is", "heeded", "expected"),
    [
        (OUT, replace(OUT, taxon="b"), replace(OUT, taxon="b")),
        (IN_AS_IT_IS, IN, IN),
        (OUT, IN, Decision("inside", "size_explains", "b", kept=("b", "c"))),
        (IN_AS_IT_IS, OUT, Decision("undecided", "size_hides", "a", kept=("a",))),
        (BLOCKED, IN, IN),
        (BLOCKED, OUT, Decision("undecided", "one_undecided", "c", ("c",))),
        (OUT, BLOCKED, Decision("undecided", "one_undecided", "c", ("c",))),
        (IN, BLOCKED, Decision("undecided", "one_undecided", "c", ("c",))),
        (BLOCKED, ALSO, replace(ALSO, blocking=("c", "d"))),
    ],
)
def test_every_pair_of_verdicts_has_one(as_is, heeded, expected):
    assert combine(as_is, heeded) == expected


# ---------------------------------------------------------------- over imputations


@pytest.mark.parametrize("verdict", ["outside", "inside"])
@pytest.mark.parametrize(
    ("others", "count", "stands"),
    [(0, 20, True), (1, 20, True), (2, 20, False), (1, 19, False), (0, 0, True), (1, 1, False)],
)
def test_imputations_turn_a_verdict_beyond_their_share(verdict, others, count, stands):
    """One of twenty is a share of just the level: it stands."""
    one = Decision(verdict, "g", "a", kept=("a",))
    drawn = ["undecided"] * others + [verdict] * (count - others)
    found = over_imputations(one, drawn, alpha=ALPHA)
    assert found == (one if stands else Decision("undecided", "imputation_turns", "a"))


def test_other_verdicts_of_any_kind_count_and_undecided_stays():
    drawn = ["inside", "undecided", *["outside"] * 18]
    assert over_imputations(OUT, drawn, alpha=ALPHA).ground == "imputation_turns"
    assert over_imputations(BLOCKED, ["outside"] * 20, alpha=ALPHA) is BLOCKED
