"""Verdicts tempered by calibration and stability, and elements combined."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.stats import binomtest, norm

from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.conclusion import Conclusion, combine_elements, conclude
from morpho.inference.robustness.stability import ALL_SUSPECTS, CHOICES, OWN_LANDMARKS, SUSPECTS

SUMMARY = ["choice", "settings", "holds", "share_holds", "turning"]


def calibrated(alarms=0, left_out=20, noticed=20, members=20):
    rows = [
        ("specimen", "a", 20, 20),  # of one taxon: has no say
        ("specimen", "all taxa", alarms, left_out),
        ("taxon", "all taxa", noticed, members),
    ]
    table = pd.DataFrame(rows, columns=["left_out", "taxon", "outside", "specimens"])
    return table[table["specimens"] > 0]


def steady(**shares):
    """Rows of the summary: by kind of choice, the share of a hundred settings that holds."""
    shares = {"distortion": 1.0} | {key.replace("_", " "): share for key, share in shares.items()}
    rows = [(choice, 100, round(100 * share), share, ()) for choice, share in shares.items()]
    return pd.DataFrame(rows, columns=SUMMARY)


def turned(choice, settings, *turning):
    """One row of the summary, and the settings that turn the verdict."""
    holds = settings - len(turning)
    row = (choice, settings, holds, holds / settings, turning)
    return pd.DataFrame([row], columns=SUMMARY)


def single(stability, suspects):
    """Rows of `stability`: those that turn, and those in which suspected landmarks are left out."""
    rows = [
        (row["choice"], name, True, name in (OWN_LANDMARKS, *suspects))
        for row in stability.to_dict("records")
        for name in row["turning"]
    ]
    rows.append(("landmark left out", "another", False, True))  # left out, it turns nothing
    return pd.DataFrame(rows, columns=["choice", "setting", "turns", "suspected"])


def suspected(kind, landmarks="", after=1.0):
    """A row of what screening suspects, with a threshold of five."""
    row = (kind, landmarks, 144.0, after, 5.0)
    columns = ["kind", "landmarks", "distance_before", "distance_after", "threshold"]
    return pd.DataFrame([row], columns=columns)


def told(
    verdict,
    calibration=None,
    stability=None,
    smallest_share=0.8,
    suspicions=None,
    suspects=(),
    power=None,
):
    stability = steady() if stability is None else stability
    return conclude(
        verdict,
        calibrated() if calibration is None else calibration,
        stability,
        single(stability, suspects),
        alpha=0.05,
        smallest_share=smallest_share,
        suspicions=suspicions,
        power=power,
    )


# ---------------------------------------------------------------- one element


@pytest.mark.parametrize("verdict", ["outside", "inside", "undecided"])
def test_a_verdict_stands_where_nothing_speaks_against_it(verdict):
    assert told(verdict) == Conclusion(verdict)


def test_undecided_stays_whatever_else():
    bad = calibrated(alarms=20, noticed=0)
    assert told("undecided", bad, steady(distortion=0.0)) == Conclusion("undecided")


@pytest.mark.parametrize("left_out", [8, 17, 20, 28, 60])
def test_outside_falls_with_false_alarms_above_the_level(left_out):
    """Exact one-sided binomial test: P(X >= alarms) at alpha, no larger than 0.05."""
    for alarms in range(left_out + 1):
        excess = stats.binom.sf(alarms - 1, left_out, 0.05) <= 0.05
        found = told("outside", calibrated(alarms, left_out))
        expected = ("undecided", "false_alarms") if excess else ("outside", "")
        assert (found.verdict, found.tempered_by) == expected
        # to be inside needs no low rate of alarms
        assert told("inside", calibrated(alarms, left_out)) == Conclusion("inside")


@pytest.mark.parametrize(
    ("power", "falls"), [(0.8, False), (np.nextafter(0.8, 0), True), (0, True)]
)
def test_inside_needs_a_sample_that_would_have_noticed(power, falls):
    found = told("inside", power=power)
    assert found == (Conclusion("undecided", "could_not_tell") if falls else Conclusion("inside"))
    for other in ("outside", "undecided"):
        assert told(other, power=power) == Conclusion(other)


@pytest.mark.parametrize(
    ("noticed", "members", "falls"),
    [(0, 10, True), (4, 10, True), (5, 10, False), (26, 40, True), (27, 40, False), (0, 0, False)],
)
def test_inside_falls_where_taxa_left_out_whole_were_noticed_too_seldom(noticed, members, falls):
    """Fewer than four in five by the upper end of Clopper and Pearson's interval."""
    upper = stats.beta.ppf(0.975, noticed + 1, members - noticed) if members else 1
    assert (upper < 0.8) == falls
    left_out = calibrated(noticed=noticed, members=members)
    found = told("inside", left_out, power=1.0)
    assert found == (Conclusion("undecided", "could_not_tell") if falls else Conclusion("inside"))
    assert told("outside", left_out, power=1.0) == Conclusion("outside")
    assert told("inside", left_out) == Conclusion("inside")  # nothing was asked about


def test_inside_of_the_only_taxon_needs_a_yardstick():
    assert told("inside", power=np.nan) == Conclusion("undecided", "no_yardstick")
    assert told("outside", power=np.nan) == Conclusion("outside")
    seldom = calibrated(noticed=0, members=40)
    assert told("inside", seldom, power=np.nan).tempered_by == "no_yardstick"


@pytest.mark.parametrize("verdict", ["outside", "inside"])
@pytest.mark.parametrize("choice", [name for name in CHOICES[1:] if name != SUSPECTS])
def test_a_kind_of_choice_that_turns_too_often_leaves_undecided(verdict, choice):
    """But those that are shown only."""
    shown = {"size", "landmark left out", "semilandmarks left out", "specimen left out"}
    shown |= {"growth not extrapolated"} if verdict == "inside" else set()
    found = told(verdict, stability=steady(**{choice: 0.79}))
    if choice in shown:
        assert found == Conclusion(verdict)
    else:
        assert found == Conclusion("undecided", "unstable", choice)
    assert told(verdict, stability=steady(**{choice: 0.8})) == Conclusion(verdict)


def test_the_choice_that_turns_most_is_named():
    stability = steady(estimated_landmarks=0.7, distortion=0.2, size=0.0, digitising_error=0.5)
    assert told("outside", stability=stability).choice == "distortion"


def test_a_smallest_share_of_none_lets_every_verdict_stand():
    assert told("outside", stability=steady(distortion=0.0), smallest_share=0).verdict == "outside"
    assert (
        told("outside", stability=steady(distortion=0.99), smallest_share=1).verdict == "undecided"
    )


@pytest.mark.parametrize(
    ("settings", "turning", "falls"),
    [
        (1, 1, True), (2, 1, False), (4, 1, False), (4, 2, True), (5, 1, False), (9, 1, False),
        (9, 2, True), (10, 2, False), (10, 3, True),
    ],
)  # fmt: skip
def test_one_of_few_settings_takes_no_verdict_back(settings, turning, falls):
    """One of four at most: the other three uphold it. The only setting there is counts."""
    names = [f"setting {i}" for i in range(turning)]
    found = told("outside", stability=turned("digitising error", settings, *names))
    assert found == (
        Conclusion("undecided", "unstable", "digitising error") if falls else Conclusion("outside")
    )


@pytest.mark.parametrize(("settings", "falls"), [(9, False), (10, True), (11, True)])
def test_of_ten_settings_and_more_one_may_be_too_many(settings, falls):
    """Where so large a share is asked for."""
    one = turned("digitising error", settings, "draw 1")
    found = told("outside", stability=one, smallest_share=0.95)
    assert (found.verdict == "undecided") == falls


def test_another_kind_is_named_where_the_worst_has_too_few_settings():
    both = pd.concat([turned("digitising error", 2, "draw 1"), turned("distortion", 9, "a", "b")])
    assert told("outside", stability=both).choice == "distortion"


def test_a_query_on_whose_suspected_landmark_the_verdict_hangs_is_undecided():
    """Not where the verdict stands without it, and not for another landmark."""
    slip = suspected("displaced", "neck")
    hangs = Conclusion("undecided", "suspected_slip")
    stability = turned("landmark left out", 15, "neck")
    for verdict in ("outside", "inside"):
        hung = told(verdict, stability=stability, suspicions=slip, suspects=["neck"])
        assert hung == hangs
        assert told(verdict, stability=stability, suspects=["neck"]) == Conclusion(verdict)
    for other in ("head", "another"):
        found = told("outside", stability=stability, suspicions=slip, suspects=[other])
        assert found == Conclusion("outside")
    assert told("outside", suspicions=slip) == Conclusion("outside")
    assert told("undecided", suspicions=slip) == Conclusion("undecided")


@pytest.mark.parametrize("kind", ["mirror", "swapped"])
def test_a_query_that_is_turned_round_is_undecided(kind):
    """Where, once mended, it is within the usual of a taxon."""
    found = told("outside", suspicions=suspected(kind, "a;b"))
    assert found == Conclusion("undecided", "suspected_slip")
    still_far = suspected(kind, "a;b", after=5.1)
    assert told("outside", suspicions=still_far) == Conclusion("outside")


@pytest.mark.parametrize("kind", ["unusual", "size", "displaced"])
def test_a_suspicion_alone_takes_no_verdict_back(kind):
    assert told("outside", suspicions=suspected(kind, "neck")) == Conclusion("outside")


def left_out(*turning, settings=5):
    return turned(SUSPECTS, settings, *turning)


@pytest.mark.parametrize("verdict", ["outside", "inside"])
@pytest.mark.parametrize("turning", [("kin 1",), (ALL_SUSPECTS,), ("kin 1", "kin 2")])
def test_a_verdict_that_any_suspect_turns_is_undecided(verdict, turning):
    """One setting is enough, of however many, and whatever share is asked for."""
    turns = Conclusion("undecided", "suspected_specimens")
    for settings in (len(turning), 9, 200):
        stability = left_out(*turning, settings=settings)
        for share in (0.8, 0.0):
            assert told(verdict, stability=stability, smallest_share=share) == turns
    assert told("undecided", stability=left_out(*turning)) == Conclusion("undecided")


def test_a_verdict_stands_where_it_holds_without_every_suspect():
    assert told("outside", stability=left_out()) == Conclusion("outside")
    none = left_out().assign(settings=0, holds=0, share_holds=0.0)  # has no share to ask for
    assert told("outside", stability=none) == Conclusion("outside")


def test_the_slip_of_the_query_comes_before_those_of_known_specimens():
    """And these before calibration and stability."""
    hangs, turns = (
        Conclusion("undecided", why) for why in ("suspected_slip", "suspected_specimens")
    )
    both = left_out(OWN_LANDMARKS, "kin 1")
    displaced = suspected("displaced", "neck")
    assert told("outside", stability=both, suspicions=displaced) == hangs
    assert told("outside", stability=left_out("kin 1"), suspicions=displaced) == turns
    worse = pd.concat([left_out("kin 1"), steady(distortion=0.0)])
    assert told("outside", calibrated(alarms=19), worse) == turns
    assert told("inside", stability=worse, power=0.0) == turns


def test_a_query_that_turns_without_all_its_suspected_landmarks_is_undecided():
    """Where none of them turns it alone; without suspicions on the query it is not asked."""
    alone = pd.concat([left_out(OWN_LANDMARKS), turned("landmark left out", 15)])
    slip = suspected("displaced", "neck")
    assert told("outside", stability=alone, suspicions=slip).tempered_by == "suspected_slip"
    assert told("outside", stability=alone) == Conclusion("outside")


@pytest.mark.parametrize(("after", "falls"), [(5.0, True), (np.nextafter(5, 6), False)])
def test_a_mended_query_at_the_threshold_is_within_it(after, falls):
    found = told("outside", suspicions=suspected("mirror", after=after))
    assert (found.tempered_by == "suspected_slip") == falls


def test_calibration_comes_before_stability():
    found = told("outside", calibrated(alarms=19), steady(distortion=0.0))
    assert found.tempered_by == "false_alarms"
    found = told("inside", stability=steady(distortion=0.0), power=0.1)
    assert found.tempered_by == "could_not_tell"


def test_without_other_settings_or_folds_a_verdict_stands():
    nothing = calibrated(left_out=0, members=0)
    assert told("outside", nothing, steady().iloc[:0]) == Conclusion("outside")


# ---------------------------------------------------------------- several elements


def combined(*elements, verdicts=None):
    """Each element a mapping of taxa to p-values."""
    evidence = {f"bone {i}": element for i, element in enumerate(elements)}
    if verdicts is None:
        verdicts = [
            "outside" if max(element.values()) <= 0.05 else "inside" for element in elements
        ]
    return combine_elements(evidence, verdicts, alpha=0.05)


def test_p_values_are_combined_by_bonferroni():
    table, verdict = combined({"a": 0.01, "b": 0.2}, {"a": 0.3, "b": 0.4}, verdicts=["inside"] * 2)
    assert table["taxon"].tolist() == ["a", "b"]
    np.testing.assert_allclose(table["combined_p_value"], [0.02, 0.4])
    assert table["elements"].tolist() == [2, 2]
    assert verdict == "inside"


def test_a_p_value_of_just_the_level_rejects():
    """Of one element, and combined."""
    above = np.nextafter(0.05, 1)
    assert combined({"a": 0.05}, verdicts=["outside"])[1] == "outside"
    assert combined({"a": above}, verdicts=["outside"])[1] == "undecided"
    assert combined({"a": 0.05}, {"a": 0.9}, verdicts=["inside"] * 2)[1] == "undecided"
    assert combined({"a": above}, {"a": 0.9}, verdicts=["inside"] * 2)[1] == "inside"


def test_taxa_that_not_every_element_knows_have_fewer():
    table, _ = combined({"a": 0.01, "b": 0.2}, {"a": 0.9}, {"a": 1.0, "c": 0.6})
    assert table.set_index("taxon")["elements"].to_dict() == {"a": 3, "b": 1, "c": 1}
    np.testing.assert_allclose(table["combined_p_value"], [0.03, 0.2, 0.6])


def test_no_p_value_is_above_one():
    """Twice 0.8 is no p-value: the larger of the two is the smaller."""
    assert combined({"a": 0.8}, {"a": 0.9})[0]["combined_p_value"].tolist() == [0.9]


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (("outside", "outside"), "outside"),
        (("outside", "undecided"), "outside"),
        (("undecided", "undecided"), "undecided"),
        (("outside", "inside"), "undecided"),
    ],
)
def test_outside_needs_all_taxa_to_reject_and_no_element_inside(verdicts, expected):
    table, verdict = combined({"a": 0.001, "b": 0.02}, {"a": 0.002, "b": 0.01}, verdicts=verdicts)
    np.testing.assert_allclose(table["combined_p_value"], [0.002, 0.02])
    assert verdict == expected


def test_outside_by_another_element_for_each_taxon():
    """No element rejects every taxon, but each taxon is rejected by one."""
    evidence = {"a": 0.001, "b": 0.3}, {"a": 0.4, "b": 0.001}
    table, verdict = combined(*evidence, verdicts=["inside", "inside"])
    assert (table["combined_p_value"] <= 0.05).all()
    # the elements are inside of different taxa: nobody is kept by both
    assert verdict == "undecided"


def test_inside_needs_one_taxon_that_all_elements_keep():
    kept, apart = ({"a": 0.3, "b": 0.3},) * 2, ({"a": 0.3, "b": 0.04}, {"a": 0.04, "b": 0.3})
    assert combined(*kept, verdicts=["inside"] * 2)[1] == "inside"
    assert combined(*apart, verdicts=["inside"] * 2)[1] == "undecided"
    assert combined(*kept, verdicts=["inside", "undecided"])[1] == "undecided"


@pytest.mark.parametrize(
    ("p", "verdict", "expected"),
    [(0.01, "outside", "outside"), (0.3, "inside", "inside"), (0.01, "undecided", "undecided")],
)
def test_one_element_says_what_it_says(p, verdict, expected):
    table, found = combined({"a": p}, verdicts=[verdict])
    assert table["combined_p_value"].tolist() == [p]
    assert found == expected


def test_without_evidence_nothing_is_combined():
    with pytest.raises(InferenceError, match="No element of the individual was held"):
        combine_elements({}, [], alpha=0.05)
    with pytest.raises(InferenceError, match="No element of the individual was held"):
        combine_elements({"jaw": {}}, ["undecided"], alpha=0.05)


def correlated(rng, elements, correlation, n, shift=0.0):
    """One-sided p-values of normal deviates that the elements of an animal share."""
    shared, own = rng.normal(size=(n, 1)), rng.normal(size=(n, elements))
    z = np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * own + shift
    return stats.norm.sf(z)


def combined_of(p):
    """Combined p-values, one individual a row, against one taxon."""
    return np.array(
        [
            combine_elements(
                {str(k): {"a": value} for k, value in enumerate(row)}, ["outside"], alpha=0.05
            )[0]["combined_p_value"].iloc[0]
            for row in p
        ]
    )


@pytest.mark.parametrize(("elements", "correlation"), [*product((2, 4), (0.0, 0.5, 1.0)), (3, 0.9)])
def test_the_level_holds_whatever_the_dependence(elements, correlation):
    """1,000 members: combined p-values of 0.05 at most in 5 %, within the 99.9 % bound."""
    rng = np.random.default_rng([elements, int(10 * correlation)])
    p = combined_of(correlated(rng, elements, correlation, 1000))
    assert (p <= 0.05).sum() <= stats.binom.ppf(0.9995, 1000, 0.05)
    if correlation == 0:  # close to the level, as 1 - (1 - 0.05 / K) ** K
        expected = 1 - (1 - 0.05 / elements) ** elements
        assert (p <= 0.05).sum() >= stats.binom.ppf(0.0005, 1000, expected)


def test_the_level_holds_where_elements_go_against_each_other():
    """p and 1 - p, and the dependence that is worst for Bonferroni, where it is just met."""
    u = (np.arange(1000) + 0.5) / 1000
    against = combined_of(np.column_stack([u, 1 - u]))
    assert (against <= 0.05).mean() == pytest.approx(0.05, abs=0.002)


def test_together_they_notice_more_than_the_weakest_of_them():
    """Also where only one of the elements differs."""
    rng = np.random.default_rng(3)
    p = correlated(rng, 3, 0.3, 600, shift=np.array([0.5, 3.5, 2.0]))
    alone = (p <= 0.05).mean(axis=0)
    together = (combined_of(p) <= 0.05).mean()
    assert together > alone.min() + 0.3
    assert together > alone[2]


@pytest.mark.parametrize("elements", [2, 3])
@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.6, 0.9, 1.0])
def test_combined_elements_hold_their_level_whatever_their_correlation(rng, elements, correlation):
    """Normal copulas: the combined p-value of a member is at most 0.05 in 5 in a hundred."""
    studies = 20_000
    shared, own = rng.normal(size=(studies, 1)), rng.normal(size=(studies, elements))
    p = norm.sf(np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * own)
    combined = np.minimum(elements * p.min(axis=1), p.max(axis=1))
    some = {f"e{i}": {"known": float(each)} for i, each in enumerate(p[0])}
    table, _ = combine_elements(some, ["inside"] * elements, alpha=0.05)
    assert table["combined_p_value"][0] == pytest.approx(combined[0])
    assert binomtest(int((combined <= 0.05).sum()), studies, 0.05, "greater").pvalue > 0.001


def test_elements_that_all_reject_are_outside_though_ranks_are_coarse():
    """Of 25 known specimens a rank is 1/26 at the least: twice that is beyond the level."""
    each = {"jaw": {"known": 1 / 26}, "atlas": {"known": 1 / 26}}
    assert combine_elements(each, ["outside", "outside"], alpha=0.05)[1] == "outside"
    assert combine_elements(each, ["outside", "undecided"], alpha=0.05)[1] == "outside"
    assert combine_elements(each, ["outside", "inside"], alpha=0.05)[1] == "undecided"
