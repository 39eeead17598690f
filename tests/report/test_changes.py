"""What changed since the last run: each sentence from a difference, none where there is none."""

import copy
import json

import numpy as np
import pytest

from helpers import small_tables as small
from helpers.told import change_words
from morpho.workflow.history import compared, snapshot


def changed(before, now):
    return change_words(compared(before, now))


@pytest.fixture
def element():
    return small.element()


def digests(element, **others):
    names = element.tables["specimens"]["specimen"]
    return {element.name: {name: "0" for name in names} | others}


def said(before, after, **others):
    """Sentences between two states, each through JSON as it is kept on disk."""
    old = json.loads(json.dumps(snapshot([before], digests(before))))
    new = json.loads(json.dumps(snapshot([after], digests(after, **others))))
    return changed(old, new).get("bone", [])


def test_nothing_is_said_where_nothing_changed(element):
    assert said(element, copy.deepcopy(element)) == []


def test_a_snapshot_is_the_same_after_json_and_holds_no_nan(element):
    element.tables["verdicts"].loc[0, "p_value_size_heeded"] = np.nan
    element.tables["pairwise_distances"].loc[0, "distance"] = np.nan
    taken = snapshot([element], digests(element))
    text = json.dumps(taken, allow_nan=False)
    assert json.loads(text) == taken


def test_the_first_run_has_nothing_to_compare_with(element):
    now = snapshot([element])
    assert changed(None, now) == {}
    assert changed({}, now) == {}
    assert changed(now | {"format": 0}, now) == {}


def test_the_order_of_rows_is_no_change(element):
    other = copy.deepcopy(element)
    for name in ("specimens", "verdicts", "pairwise_distances"):
        other.tables[name] = other.tables[name].iloc[::-1].reset_index(drop=True)
    assert said(element, other) == []


def test_specimens_added_gone_and_digitised_anew(element):
    other = copy.deepcopy(element)
    table = other.tables["specimens"]
    table.loc[1, "specimen"] = "ash z"
    assert said(element, other, **{"oak e": "1", "oak f": "2"}) == [
        "New: ash z.",
        "No longer there: ash b.",
        "Digitised otherwise than before: oak e and oak f.",
        "The verdict on find is still outside, with the same p-values.",
    ]


def test_specimens_set_aside_taken_in_and_renamed_taxa(element):
    other = copy.deepcopy(element)
    table = other.tables["specimens"]
    table.loc[0, "used"], table.loc[2, "used"] = True, False
    table.loc[4, "taxon"] = "elm"
    table.loc[5, ["taxon", "role"]] = ["", "query"]
    assert said(element, other) == [
        "Set aside now: ash c.",
        "Takes part now: ash a.",
        "oak e was known oak and is known elm now.",
        "oak f was known oak and is query now.",
        "The verdict on find is still outside, with the same p-values.",
    ]


def test_what_a_row_of_the_specimen_table_says_is_told(element):
    """A corrected side turns a verdict: it is named, with what it was."""
    name = element.name
    rows = {"ash a": {"side": "right", "stage": ""}, "ash b": {"side": "left", "stage": "adult"}}
    old = snapshot([element], digests(element), {name: rows})
    assert changed(old, snapshot([element], digests(element), {name: dict(rows)})) == {}
    new = {"ash a": {"side": "left", "stage": "adult"}, "ash b": {"side": "left", "stage": ""}}
    now = snapshot([element], digests(element), {name: new})
    assert changed(old, json.loads(json.dumps(now)))[name] == [
        "Side of ash a: left, was right.",
        "Stage of ash a: adult, was not said.",
        "Stage of ash b: not said, was adult.",
        "The verdict on find is still outside, with the same p-values.",
    ]
    # a column that the model names now, or names no more, is none that changed
    more = {"ash a": rows["ash a"] | {"sex": "female"}, "ash b": {"side": "left"}}
    assert changed(old, snapshot([element], digests(element), {name: more})) == {}


def test_many_names_are_cut(element):
    other = copy.deepcopy(element)
    table = other.tables["specimens"]
    table["specimen"] = [f"new {i}" for i in range(len(table))]
    first = said(element, other)[0]
    assert first.startswith("New: new 0, ")
    assert first.endswith("and 2 more.")


def test_a_verdict_that_turns(element):
    other = copy.deepcopy(element)
    other.tables["verdicts"].loc[0, ["verdict", "nearest_taxon"]] = ["inside", "ash"]
    other.tables["verdicts"].loc[0, "p_value_as_it_is"] = 0.4
    assert said(element, other) == [
        "The verdict on find was outside and is inside now (as it is, p = 0.011 before and "
        "p = 0.400 now; nearest was oak and is ash)."
    ]


def test_verdicts_that_stay_are_told_where_anything_moved():
    """A reader who added a specimen asks first what became of the verdicts."""
    element = small.element(("find", "other", "third"))
    other = copy.deepcopy(element)
    other.tables["specimens"].loc[1, "specimen"] = "ash z"
    assert said(element, other)[-2:] == [
        "The verdict on find is still outside, with the same p-values.",
        "The verdict on other and third is still undecided, with the same p-values.",
    ]
    other.tables["verdicts"].loc[1, "verdict"] = "inside"
    assert said(element, other)[-3:] == [
        "The verdict on other was undecided and is inside now.",
        "The verdict on find is still outside, with the same p-values.",
        "The verdict on third is still undecided, with the same p-values.",
    ]


def test_a_verdict_that_stays_while_its_evidence_moves(element):
    other = copy.deepcopy(element)
    other.tables["verdicts"].loc[0, "p_value_size_heeded"] = np.nan
    assert said(element, other) == [
        "The verdict on find is still outside (at its own size, p = 0.023 before and "
        "p not known now)."
    ]


def test_a_query_that_comes_and_one_that_goes(element):
    assert said(element, small.element(("other",))) == [
        "New: other.",
        "No longer there: find.",
        "other is placed for the first time: outside.",
        "find is no longer placed.",
    ]


def test_a_conclusion_is_what_is_compared(element):
    import pandas as pd

    other = copy.deepcopy(element)
    other.tables["conclusions"] = pd.DataFrame({"specimen": ["find"], "verdict": ["undecided"]})
    assert said(element, other) == ["The verdict on find was outside and is undecided now."]


def test_axes_and_distances(element):
    other = copy.deepcopy(element)
    axes = other.tables["variance_per_axis"]
    axes.loc[0, "share_of_variance"] = 0.5
    axes.loc[2, "retained"] = True
    other.tables["pairwise_distances"].loc[2, "distance"] = 0.09
    assert said(element, other) == [
        "The verdict on find is still outside, with the same p-values.",
        "Share of the variance of shape: axis 1 from 47.9 % to 50.0 %.",
        "Axes retained: 2 before, 3 now.",
        "The distance between the mean shapes of ash and oak at one size went from 0.0741 to 0.09.",
    ]


def test_the_largest_moves_are_told_and_the_others_counted(element):
    before, after = copy.deepcopy(element), copy.deepcopy(element)
    table = element.tables["pairwise_distances"].loc[[0] * 5].reset_index(drop=True)
    table["second"] = [f"taxon {i}" for i in range(5)]
    before.tables["pairwise_distances"] = table
    after.tables["pairwise_distances"] = table.assign(
        distance=table["distance"] + [0.01, 0.05, 0.02, 0.03, 0.04]
    )
    words = said(before, after)[1:]
    assert [w.split(" went")[0].rsplit(" ", 1)[1] for w in words[:3]] == ["1", "4", "3"]
    assert words[3] == "2 other distances moved by less."


def test_a_change_below_the_digits_told_is_none(element):
    """Numbers that read the same before and after would only puzzle."""
    other = copy.deepcopy(element)
    other.tables["variance_per_axis"].loc[0, "share_of_variance"] += 0.00001
    other.tables["pairwise_distances"].loc[0, "distance"] += 1e-9
    other.tables["verdicts"].loc[0, "p_value_as_it_is"] += 1e-6
    assert said(element, other) == []


def test_elements_that_come_and_go(element):
    atlas = small.element(name="atlas")
    before, after = snapshot([element]), snapshot([atlas])
    assert changed(before, after) == {
        "atlas": ["This element is new in the study."],
        "bone": ["This element is no longer in the study."],
    }
