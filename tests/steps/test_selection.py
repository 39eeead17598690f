"""Who takes part, on which points, and on which side: held against config/README.md."""

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest

from morpho.steps.prepare.prepare import _mirrored_specimens, _set_aside
from morpho.study.settings.blocks import Missing

LANDMARKS = ["tip", "notch", "heel", "knob", "hole"]


@pytest.mark.parametrize(
    ("sides", "wanted", "side", "mirrored"),
    [
        (["left", "left", "right"], "commoner", "left", [0, 0, 1]),
        (["left", "right", "right"], "commoner", "right", [1, 0, 0]),
        (["left", "right", ""], "commoner", "left", [0, 1, 0]),
        (["left", "left", "right"], "right", "right", [1, 1, 0]),
        (["right", "", "right"], "left", "left", [1, 0, 1]),
        (["", "", ""], "right", "", [0, 0, 0]),
    ],
)
def test_bones_are_brought_to_one_side(sides, wanted, side, mirrored):
    known = pd.Series([True] * len(sides))
    told, target = _mirrored_specimens(pd.Series(sides), known, "matching", wanted)
    assert target == side
    assert told.tolist() == [bool(m) for m in mirrored]


def test_queries_have_no_say_in_the_side():
    """Three right queries and two left known specimens: the side is left."""
    sides = pd.Series(["left", "left", "right", "right", "right"])
    told, side = _mirrored_specimens(sides, sides == "left", "matching", "commoner")
    assert side == "left"
    assert told.tolist() == [False, False, True, True, True]


@pytest.mark.parametrize("symmetry", ["none", "object"])
def test_other_symmetries_are_never_mirrored(symmetry):
    sides = pd.Series(["left", "right"])
    told, side = _mirrored_specimens(sides, pd.Series([True, True]), symmetry, "left")
    assert not told.any()
    assert side == ""


CHOICES = ["estimate", "set_aside", "shared"]
RULES = list(product(CHOICES, CHOICES, [0.5, 0.8, 1.0]))


@pytest.mark.parametrize(("known", "query", "smallest"), RULES)
def test_who_is_set_aside(known, query, smallest):
    """Every rule for known specimens and queries, with every share asked for."""
    lost = {"whole": 0, "chip": 1, "half": 2, "stump": 4}
    roles = {"known": known, "query": query}
    names = [f"{role} {name}" for role in roles for name in lost]
    X = np.zeros((len(names), 5, 3))
    for i, name in enumerate(names):
        X[i, : lost[name.split()[1]]] = np.nan
    table = pd.DataFrame({"role": [name.split()[0] for name in names]}, index=names)
    rule = Missing(smallest_share=smallest, known=known, query=query)
    told, used = _set_aside(X, table, LANDMARKS, 5, rule)
    for name in names:
        role, state = name.split()
        row = told.loc[name]
        enough = 1 - lost[state] / 5 >= smallest
        takes_part = enough and (not lost[state] or roles[role] != "set_aside")
        assert row["used"] == takes_part
        assert row["landmarks_present"] == 5 - lost[state]
        assert row["missing_landmarks"].split() == LANDMARKS[: lost[state]]
        if takes_part:
            assert (row["set_aside"], row["missing_points"]) == ("", "")
        elif not enough:
            assert (row["set_aside"], row["missing_points"]) == ("too_little", "")
        else:
            assert row["set_aside"] == "missing_points"
            assert row["missing_points"].split() == LANDMARKS[: lost[state]]
    # points that one lacks who is taken as it is are left out for all; others are estimated
    taken = [n for n in names if told.loc[n, "used"] and roles[n.split()[0]] != "estimate"]
    worst = max((lost[name.split()[1]] for name in taken), default=0)
    assert used.tolist() == [False] * worst + [True] * (5 - worst)


def test_a_point_that_nobody_has_is_left_out_even_where_points_are_estimated():
    X = np.zeros((2, 5, 3))
    X[:, 1] = np.nan
    rule = Missing(smallest_share=0.5)
    table = pd.DataFrame({"role": ["known", "query"]}, index=["a", "b"])
    told, used = _set_aside(X, table, LANDMARKS, 5, rule)
    assert told["used"].all()
    assert used.tolist() == [True, False, True, True, True]


def test_only_landmarks_count_for_what_is_left():
    """A curve that was not digitised does not make a bone a fragment."""
    X = np.zeros((1, 8, 3))
    X[0, 5:] = np.nan
    names = [*LANDMARKS, "border.1", "border.2", "border.3"]
    table = pd.DataFrame({"role": ["known"]}, index=["a"])
    rule = Missing(smallest_share=1.0)
    told, _ = _set_aside(X, table, names, 5, rule)
    assert told.loc["a", "used"]
    assert told.loc["a", "landmarks_present"] == 5
    assert told.loc["a", "missing_landmarks"] == ""
    told, _ = _set_aside(X, table, names, 5, replace(rule, known="set_aside"))
    assert told.loc["a", "set_aside"] == "missing_points"
    assert told.loc["a", "missing_points"] == "border.1 border.2 border.3"


def test_no_point_is_used_where_nobody_takes_part():
    X = np.full((1, 5, 3), np.nan)
    rule = Missing(known="set_aside", query="shared")
    table = pd.DataFrame({"role": ["known"]}, index=["a"])
    told, used = _set_aside(X, table, LANDMARKS, 5, rule)
    assert not told["used"].any()
    assert not used.any()
