"""Suspected specimens left out: as if the study had never had them, estimates included."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

STEPS = ("screen", "prepare", "slide", "measure", "superimpose", "ordinate", "grow", "vary")
MISSING = {"known": "estimate", "query": "estimate", "imputations": 2}
TURNED = ("ash 3", "birch 2")


def study_of(make, *turned):
    """Bones of one side, some of them turned into their mirror images; a query is broken."""
    study = make(
        {"ash": 9, "birch": 9}, {"find": "ash", "broken": "birch"}, landmarks=9, side="left",
        settings={"preparation": {"missing": MISSING}},
    )  # fmt: skip
    study.scheme["symmetry"] = "matching"
    shapes = study.shapes["bone"]
    for name in turned:
        shapes[study.names.index(name)] *= [-1, 1, 1]
    shapes[-1, 2] = np.nan
    shapes[1, 5] = np.nan  # and so is a known specimen
    study.write()
    return study


def run(study):
    for step in STEPS:
        assert study.step(step, "bone") == 0, step
    table = study.results().table("stability")
    return table.set_index(["choice", "setting", "specimen"]).sort_index()


@pytest.fixture(scope="module")
def turned(invent_once):
    study = study_of(invent_once, *TURNED)
    return study, run(study)


def test_mirrored_bones_are_left_out_one_by_one_and_together(turned):
    study, table = turned
    found = study.results().table("suspicions")
    assert found.loc[found["kind"] == "mirror", "specimen"].tolist() == list(TURNED)
    settings = table.loc["suspects left out"].index.get_level_values("setting")
    suspects = sorted(set(found["specimen"]))
    assert sorted(set(settings)) == sorted([*suspects, "all suspected specimens"])


def test_what_is_found_without_them_is_what_a_study_without_them_finds(turned, invent):
    """Their files gone; the p-values of the broken query need the estimates made anew."""
    study, table = turned
    suspects = set(study.results().table("suspicions")["specimen"])
    other = study_of(invent)
    kept = [i for i, name in enumerate(other.names) if name not in suspects]
    other.rows = [other.rows[i] for i in kept]
    other.shapes["bone"] = other.shapes["bone"][kept]
    other.write()
    alone = run(other).loc["as analysed", ""]
    rows = table.loc["suspects left out", "all suspected specimens"]
    for column in ("p_value_as_it_is", "p_value_size_heeded"):
        pd.testing.assert_series_equal(rows[column], alone[column], rtol=1e-6)
    assert rows["verdict"].to_dict() == alone["verdict"].to_dict()
    # the turned bones did move the query that is whole, and the one that is broken
    before = table.loc["as analysed", ""]
    assert (np.abs(before["p_value_as_it_is"] - rows["p_value_as_it_is"]) > 1e-3).all()


def test_where_too_few_are_complete_to_estimate_from_nothing_is_claimed(invent):
    """Six whole bones of eighteen, two of them suspected: estimates take five."""
    study = study_of(invent, *TURNED)
    shapes, names = study.shapes["bone"], study.names
    whole = {"ash 3", "birch 2", "ash 1", "ash 4", "birch 1", "birch 3"}
    for i, row in enumerate(study.rows):
        if row["role"] == "known" and names[i] not in whole:
            shapes[i, 2] = np.nan
    study.write()
    table = run(study)
    suspects = set(study.results().table("suspicions")["specimen"])
    assert suspects >= set(TURNED)
    rows = table.loc["suspects left out"]
    assert set(rows.loc["all suspected specimens", "ground"]) == {"no_model"}
    assert "no_model" not in set(rows.loc["ash 3", "ground"])
