"""From evidence to a verdict: every branch, and every boundary on both of its sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from morpho.inference.membership.evidence import Evidence
from morpho.inference.membership.verdict import (
    Decision,
    combine,
    decide,
    over_error,
    over_imputations,
)

ALPHA = 0.05
JUST_BELOW, JUST_ABOVE = np.nextafter(ALPHA, 0), np.nextafter(ALPHA, 1)


def evidence(p=(0.01, 0.02, 0.03), **changed):
    """One query, or one a row, against taxa a, b, ...; by default each test rejects."""
    p = np.atleast_2d(np.asarray(p, dtype=float))
    n = p.shape[1]
    far = np.broadcast_to(np.arange(n, 0, -1) / 10, p.shape)
    given = {
        "taxa": np.array(list("abcde"[:n])),
        "specimens": np.full(n, 20),
        "procrustes_distance": far,
        "comparable_distance": far,
        "mahalanobis_distance": far,
        "landmark_distance": far,
        "relative_distance": far,
        "critical_distance": np.full(n, 0.05),
        "p_value": p,
        "posterior_probability": np.full(p.shape, 1 / n),
        "beyond_sizes": np.zeros(p.shape, dtype=bool),
    }
    for name, value in changed.items():
        given[name] = np.broadcast_to(np.array(value, given[name].dtype), given[name].shape)
    return Evidence(**given)


def decided(found, query=0, **changed):
    return decide(found, query, **({"alpha": ALPHA, "smallest_taxon": 5} | changed))


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


# ---------------------------------------------------------------- what blocks


def test_a_taxon_of_one_leaves_its_spread_unknown():
    found = evidence((0.02, 0.03, 0.01), specimens=[1, 20, 1])
    assert decided(found) == Decision("undecided", "spread_unknown", "a", ("a", "c"))
    assert decided(evidence(specimens=[2, 20, 2])).verdict == "outside"


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


def test_those_that_keep_stand_in_the_order_of_relative_distances():
    """Not in that of their p-values; a taxon too small to judge by keeps nothing."""
    found = evidence(
        (0.97, 0.01, 1.0, 0.36, 0.9),
        specimens=[9, 9, 9, 9, 2],
        relative_distance=[0.3, 0.05, 0.2, 0.1, 0.01],
    )
    assert decided(found) == Decision("inside", "one_keeps", "c", kept=("d", "c", "a"))


@pytest.mark.parametrize(("specimens", "verdict"), [(5, "inside"), (4, "undecided")])
def test_a_small_taxon_keeps_nobody(specimens, verdict):
    """A taxon of just the smallest size is large enough."""
    told = decided(evidence((0.6, 0.01, 0.01), specimens=[specimens, 20, 20]))
    assert told.verdict == verdict
    if verdict == "undecided":
        assert told == Decision("undecided", "few_specimens", "a")


def test_a_small_taxon_beside_one_that_keeps_is_not_named():
    found = evidence((0.6, 0.3, 0.01), specimens=[4, 20, 20])
    assert decided(found) == Decision("inside", "one_keeps", "b", kept=("b",))


def test_where_all_taxa_are_small_nothing_is_concluded():
    few = [4, 3, 2]
    assert decided(evidence(specimens=few)) == Decision("undecided", "few_specimens", "c")
    assert decided(evidence((0.6, 0.1, 0.1), specimens=few)).ground == "few_specimens"
    assert decided(evidence(specimens=[5, 3, 2])).verdict == "outside"


@pytest.mark.parametrize("p", [(np.nan,) * 3, (0.01, np.nan, 0.9)])
def test_without_p_values_nothing_is_concluded(p):
    """Named is the taxon that is nearest by shape, however small."""
    found = evidence(p, specimens=[2, 2, 1], relative_distance=np.nan)
    assert decided(found) == Decision("undecided", "no_power", "c")


def test_each_query_is_decided_by_its_own_row():
    p = [[0.01, 0.02], [0.3, 0.01], [0.01, 0.6], [np.nan, 0.4]]
    beyond = np.array([[True, False], [True, True], [False, False], [True, True]])
    together = evidence(p, beyond_sizes=beyond)
    told = [decided(together, query=q, slopes_differ=True) for q in range(4)]
    assert [one.ground for one in told] == ["extrapolates", "one_keeps", "one_keeps", "no_power"]
    for q in range(4):
        alone = evidence(p[q], beyond_sizes=beyond[q])
        assert decided(alone, slopes_differ=True) == told[q]


# ---------------------------------------------------------------- with and without size

OUT = Decision("outside", "all_reject", "a")
IN = Decision("inside", "one_keeps", "b", kept=("b", "c"))
IN_AS_IT_IS = Decision("inside", "one_keeps", "a", kept=("a",))
BLOCKED = Decision("undecided", "extrapolates", "c", ("c",))
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


# ---------------------------------------------------------------- over digitising errors


@pytest.mark.parametrize(
    ("verdict", "doubtful", "expected"),
    [
        (OUT, replace(OUT, taxon="b"), OUT),
        (OUT, IN, Decision("undecided", "error_unknown", "b")),
        (OUT, BLOCKED, Decision("undecided", "error_unknown", "c")),
        (IN, OUT, IN),
        (IN, BLOCKED, IN),
        (BLOCKED, OUT, BLOCKED),
    ],
)
def test_only_outside_falls_with_an_error_that_cannot_be_ruled_out(verdict, doubtful, expected):
    assert over_error(verdict, doubtful) == expected


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
