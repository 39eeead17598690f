"""Conclusions on queries and on individuals of several elements, through the steps."""

import shutil
from copy import copy, deepcopy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import gammaln

from helpers import invented
from helpers.told import individuals_told, words_of
from morpho.inference.robustness.stability import stability_summary
from morpho.results.tables import JOINED, TABLES

BONES = ("femur", "tibia")
QUERIES = {"kin": "ash", "own": "a form of its own", "half": "ash", "none": "ash", "mixed": "ash"}


@pytest.fixture(scope="module")
def two(invent_once):
    """Two elements: of one query a bone is broken, of one both, and one has a foreign bone."""
    study = invent_once({"ash": 7, "birch": 6}, QUERIES, elements=BONES)
    first = len(study.rows) - len(QUERIES)
    femur, tibia = study.shapes["femur"], study.shapes["tibia"]
    tibia[first + 2, :4] = np.nan
    femur[first + 3, :4] = tibia[first + 3, :4] = np.nan
    tibia[first + 4] = tibia[first + 1] + 0.01
    study.write()
    study.analyse()
    return study


@pytest.mark.whole
def test_individuals_are_what_their_elements_say(two):
    """Every query stands there, those that could not be judged as well."""
    table = individuals_told(two.config).set_index("specimen")
    assert table["verdict"].to_dict() == {
        "half": "inside", "kin": "inside", "mixed": "undecided", "none": "undecided",
        "own": "outside",
    }  # fmt: skip
    assert table["elements"].to_dict() == {"half": 1, "kin": 2, "mixed": 2, "none": 0, "own": 2}
    for name, row in table.iterrows():
        each = dict(text.split(": ") for text in row["verdicts_of_elements"].split("; ") if text)
        assert len(each) == row["elements"]
        for element, verdict in each.items():
            found = two.results(element).table("conclusions").set_index("specimen")
            assert found.loc[name, "verdict"] == verdict
    assert table.loc["mixed", "verdicts_of_elements"] == "femur: inside; tibia: outside"
    assert "The elements disagree" in table.loc["mixed", "paragraph"]
    assert "judged by one element only (femur inside)" in table.loc["half", "paragraph"]
    assert "No element of none" in table.loc["none", "paragraph"]
    assert np.isnan(table.loc["none", "combined_p_value"])


def test_the_evidence_is_that_of_the_elements(two):
    """Joined by name: the larger p-value of both ways, combined as one or all reject."""
    table = two.joined.table("individual_evidence")
    membership = {
        name: two.results(name)
        .table("membership")
        .set_index(["specimen", "taxon", "size_heeded"])["p_value"]
        .sort_index()
        for name in BONES
    }
    assert len(table) == 2 * (2 + 2 + 1 + 2)
    for row in table.to_dict("records"):
        ways = membership[row["element"]][row["specimen"], row["taxon"]]
        assert row["p_value_as_it_is"] == ways[False]
        assert row["p_value_size_heeded"] == ways[True]
        assert row["p_value"] == max(ways)
    for (name, taxon), part in table.groupby(["specimen", "taxon"]):
        combined = min(len(part) * part["p_value"].min(), part["p_value"].max())
        np.testing.assert_allclose(part["combined_p_value"], combined, rtol=1e-8)
        individuals = two.joined.table("individuals").set_index("specimen")
        assert individuals.loc[name, "combined_p_value"] >= combined * (1 - 1e-8), taxon


def test_proportions_are_ratios_of_the_sizes(two):
    """Of individuals that have both elements; known ones of each taxon beside each query."""
    sizes = {
        name: two.results(name).table("centroid_size").set_index("specimen")["centroid_size_mm"]
        for name in BONES
    }
    ratio = (sizes["femur"] / sizes["tibia"]).dropna()
    table = two.joined.table("proportions")
    assert set(table["specimen"]) == {"kin", "own", "mixed"}
    assert set(zip(table["first"], table["second"], strict=True)) == {BONES}
    for row in table.to_dict("records"):
        assert row["query_ratio"] == pytest.approx(ratio[row["specimen"]])
        own = ratio[ratio.index.str.startswith(f"{row['taxon']} ")]
        assert row["taxon_specimens"] == len(own)
        assert row["ratio_minimum"] == pytest.approx(own.min())
        assert row["ratio_maximum"] == pytest.approx(own.max())
        inside = own.min() <= ratio[row["specimen"]] <= own.max()
        assert row["outside_range"] != inside


@pytest.mark.slow
@pytest.mark.whole
def test_the_page_takes_the_elements_together(two):
    with invented.sketched():
        two.draw()
        page = two.page()
    assert page.count("<strong>Together.</strong>") == len(QUERIES)
    assert "Relative sizes of elements within individuals" in page


def test_one_element_has_no_proportions(invent):
    study = invent()
    study.analyse()
    assert study.joined.table("proportions").empty
    table = study.joined.table("individuals")
    assert table["elements"].tolist() == [1]
    evidence = study.joined.table("individual_evidence")
    pd.testing.assert_series_equal(
        evidence["combined_p_value"], evidence["p_value"], check_names=False
    )


@pytest.fixture(scope="module")
def analysed(invent_once):
    """A query of its own form and one of ash, analysed to the conclusions."""
    queries = {"kin": "ash", "own": "a form of its own"}
    study = invent_once({"ash": 6, "birch": 6}, queries)
    study.analyse()
    assert study.results().table("verdicts")["verdict"].tolist() == ["inside", "outside"]
    return study


@pytest.fixture
def one(analysed, tmp_path):
    """A copy of it, to change."""
    study = copy(analysed)
    study.study = deepcopy(analysed.study)
    study.folder = Path(shutil.copytree(analysed.folder, tmp_path / "copy"))
    return study


def turn(results, query, *settings, suspected=False):
    """Have landmarks turn the verdict on a query when they are left out."""
    table = results.table("stability")
    rows = (table["specimen"] == query) & (table["choice"] == "landmark left out")
    table.loc[rows & table["setting"].isin(settings), ["turns", "suspected"]] = True, suspected
    results.write_table("stability", table)


def conclusions(study):
    assert study.step("conclude", "bone") == 0
    return words_of(study.results()).set_index("specimen")


def test_conclusions_have_the_numbers_of_the_trials(one):
    """Each from its own table: nothing is taken from another query."""
    table, results = conclusions(one), one.results()
    stability = results.table("stability_summary")
    calibration = results.table("calibration").groupby("left_out")
    for name, row in table.iterrows():
        own = stability[stability["specimen"] == name]
        assert row["settings"] == own["settings"].sum()
        assert row["settings_hold"] == own["holds"].sum()
        assert row["verdict"] == row["verdict_before"]
        assert row["tempered_by"] == ""
    for left_out, told, of in (
        ("specimen", "false_alarms", "left_out_specimens"),
        ("taxon", "noticed", "left_out_members"),
    ):
        part = calibration.get_group(left_out)
        assert set(table[told]) == {(part["verdict"] == "outside").sum()}
        assert set(table[of]) == {len(part)} == {12}


def test_a_sample_of_false_alarms_takes_outside_back_and_leaves_inside(one):
    """The same procedure disowns four of twelve members: who is outside is not known."""
    results = one.results()
    table = results.table("calibration_summary")
    place = (table["left_out"] == "specimen") & (table["taxon"] == "all taxa")
    table.loc[place, "outside"] = 4
    results.write_table("calibration_summary", table)
    found = conclusions(one)
    assert found["verdict"].to_dict() == {"kin": "inside", "own": "undecided"}
    assert found.loc["own", ["verdict_before", "tempered_by"]].tolist() == [
        "outside", "false_alarms",
    ]  # fmt: skip
    words = "Of 12 known specimens left out in turn, the same procedure told 4 outside"
    assert words in found.loc["own", "tried"]
    # and the individual is what its only element is
    assert one.step("combine") == 0
    individuals = one.joined.table("individuals").set_index("specimen")
    assert individuals["verdict"].to_dict() == {"kin": "inside", "own": "undecided"}


def test_a_sample_that_notices_nobody_takes_inside_back(one):
    results = one.results()
    table = results.table("calibration_summary")
    place = (table["left_out"] == "taxon") & (table["taxon"] == "all taxa")
    table.loc[place, ["outside", "inside"]] = [0, 12]
    results.write_table("calibration_summary", table)
    found = conclusions(one)
    assert found["verdict"].to_dict() == {"kin": "undecided", "own": "outside"}
    assert found.loc["kin", "tempered_by"] == "could_not_tell"
    assert "left out whole, which lie as far" in found.loc["kin", "answer"]


def test_a_verdict_that_turns_is_taken_back_as_far_as_asked(one):
    """Half of the settings turn it: with smallest_share 0.8 it falls, with 0 it stands."""
    results = one.results()
    turn(results, "own", "point_1", "point_2")
    table = results.table("stability")
    place = (table["specimen"] == "own") & (table["choice"] == "landmark left out")
    assert place.sum() == 6
    table.loc[place, "choice"] = "digitising error"
    results.write_table("stability", table)
    table = results.table("stability_summary")
    place = (table["specimen"] == "own") & (table["choice"] == "landmark left out")
    assert place.sum() == 1
    table.loc[place, "choice"] = "digitising error"
    table["share_holds"] = table["share_holds"].astype(float)
    table.loc[place, ["holds", "share_holds"]] = [3, 0.5]
    results.write_table("stability_summary", table)
    found = conclusions(one)
    assert found.loc["own", ["verdict", "tempered_by", "choice"]].tolist() == [
        "undecided", "unstable", "digitising error",
    ]  # fmt: skip
    assert "point_1, point_2" in found.loc["own", "tried"]
    assert found.loc["kin", "verdict"] == "inside"
    one.study["robustness"] = one.study["robustness"] | {"smallest_share": 0}
    one.write()
    assert conclusions(one)["verdict"].to_dict() == {"kin": "inside", "own": "outside"}


def test_a_slip_in_the_query_takes_back_the_verdict_that_hangs_on_it(one):
    """As screening found it, with the landmark that turns the verdict when it is left out."""
    results = one.results()
    slip = {
        "specimen": "own", "replicate": "", "observer": "", "kind": "displaced",
        "landmarks": "point_1", "distance_before": 144.0, "distance_after": 2.0, "threshold": 5.0,
        "side": "", "true_names": "", "deviations": "559.2", "times_usual": None, "factor": None,
    }  # fmt: skip
    known = results.table("specimens").query("role == 'known'")["specimen"].iloc[0]
    results.write_table("suspicions", pd.DataFrame([slip, slip | {"specimen": known}]))
    found = conclusions(one)
    assert found.loc["own", ["verdict", "tempered_by"]].tolist() == ["outside", ""]
    assert "Check the digitisation first: point_1 lies 559" in found.loc["own", "answer"]
    assert "Check the digitisation" not in found.loc["kin", "answer"]
    # nothing was tried without it, and so nothing is said of it
    assert set(found["suspects"]) == {known}
    assert set(found["turned_without"]) == {""}
    turn(results, "own", "point_1", suspected=True)
    found = conclusions(one)
    assert found.loc["own", ["verdict", "verdict_before", "tempered_by"]].tolist() == [
        "undecided", "outside", "suspected_slip",
    ]  # fmt: skip
    assert found.loc["kin", "verdict"] == "inside"


def test_a_suspect_that_turns_a_verdict_takes_it_back_and_is_named_first(one):
    """With what the procedure says without it; the others hold without it."""
    results = one.results()
    known = results.table("specimens").query("role == 'known'")["specimen"].iloc[0]
    slip = {
        "specimen": known, "replicate": "", "observer": "", "kind": "mirror", "landmarks": "",
        "distance_before": 144.0, "distance_after": 2.0, "threshold": 5.0, "side": "",
        "true_names": "", "deviations": "", "times_usual": None, "factor": None,
    }  # fmt: skip
    results.write_table("suspicions", pd.DataFrame([slip]))
    assert one.step("vary", "bone") == 0
    table = results.table("stability")
    rows = table["choice"] == "suspects left out"
    assert table[rows].groupby("specimen")["setting"].apply(list).to_dict() == {
        "kin": [known], "own": [known],
    }  # fmt: skip
    found = conclusions(one)
    assert found["verdict"].to_dict() == {"kin": "inside", "own": "outside"}
    for name, verdict in found["verdict"].items():
        said = (
            f"{verdict.capitalize()} holds without the known specimen whose digitisation is "
            f"suspected: {known} (wrong side or mirrored)."
        )
        assert said in found.loc[name, "answer"]
    place = rows & (table["specimen"] == "own")
    table.loc[place, ["verdict", "ground", "kept_by"]] = ["inside", "one_keeps", "ash"]
    table.loc[place, "turns"] = True
    results.write_table("stability", table)
    results.write_table("stability_summary", stability_summary(table))
    found = conclusions(one)
    assert found.loc["own", ["verdict", "tempered_by", "turned_without"]].tolist() == [
        "undecided", "suspected_specimens", known,
    ]  # fmt: skip
    first, second, _ = found.loc["own", "answer"].split(". ", 2)
    assert f"{known} (wrong side or mirrored)" in first
    assert second == (
        f"By itself the procedure says outside; without {known} it says inside (kept by ash)"
    )
    assert found.loc["kin", "verdict"] == "inside"


def test_an_outside_that_turns_without_a_landmark_stands_and_rests_on_it(one):
    turn(one.results(), "own", "point_1")
    found = conclusions(one)
    assert found.loc["own", ["verdict", "rests_on"]].tolist() == ["outside", "point_1"]
    assert "It rests on point_1 alone: digitise it again" in found.loc["own", "answer"]
    assert found.loc["kin", "rests_on"] == ""


def membership(rows):
    """A membership table with as much in it as combining reads."""
    table = pd.DataFrame(rows, columns=["specimen", "size_heeded", "taxon", "p_value"])
    return table.reindex(columns=TABLES["membership"].header())


@pytest.fixture
def copied(two, tmp_path):
    """A copy of the two elements, to change."""
    study = copy(two)
    study.folder = Path(shutil.copytree(two.folder, tmp_path / "two"))
    return study


def test_p_values_are_combined_as_by_hand(copied):
    """Rows in any order, taxa that only one element has, and one way of regarding size only."""
    femur = [
        ("kin", False, "ash", 0.30), ("kin", True, "ash", 0.02),
        ("kin", False, "birch", 0.001), ("kin", True, "birch", 0.004),
        ("own", False, "ash", 0.01), ("own", True, "ash", 0.02), ("own", True, "birch", 0.01),
        ("own", False, "birch", 0.02),
    ]  # fmt: skip
    tibia = [
        ("own", False, "cedar", 0.03), ("own", False, "ash", 0.20),
        ("kin", True, "ash", 0.015), ("kin", False, "ash", 0.01),
    ]  # fmt: skip
    copied.results("femur").write_table("membership", membership(femur[::-1]))
    copied.results("tibia").write_table("membership", membership(tibia))
    assert copied.step("combine") == 0
    evidence = copied.joined.table("individual_evidence")
    keyed = evidence.set_index(["specimen", "taxon", "element"])
    own = {
        ("kin", "ash", "femur"): (0.30, 0.02, 0.30, 2 * 0.015),
        ("kin", "ash", "tibia"): (0.01, 0.015, 0.015, 2 * 0.015),
        ("kin", "birch", "femur"): (0.001, 0.004, 0.004, 0.004),
        ("own", "ash", "femur"): (0.01, 0.02, 0.02, 2 * 0.02),
        ("own", "ash", "tibia"): (0.20, np.nan, 0.20, 2 * 0.02),
        ("own", "birch", "femur"): (0.02, 0.01, 0.02, 0.02),
        ("own", "cedar", "tibia"): (0.03, np.nan, 0.03, 0.03),
    }
    assert set(keyed.index) == set(own)
    columns = ["p_value_as_it_is", "p_value_size_heeded", "p_value", "combined_p_value"]
    for key, expected in own.items():
        np.testing.assert_allclose(keyed.loc[key, columns].astype(float), expected)
    # the taxon that rejects least stands beside the individual
    table = copied.joined.table("individuals").set_index("specimen")
    assert table.loc["kin", ["taxon", "combined_p_value"]].tolist() == ["ash", 0.03]
    assert table.loc["own", ["taxon", "combined_p_value"]].tolist() == ["ash", 0.04]


@pytest.mark.parametrize("why", ["suspected_slip", "suspected_specimens", "unstable"])
def test_evidence_that_hangs_on_suspects_counts_for_nothing(copied, why):
    """A p-value of 0.03 twice over is none below 0.05; a bone of the wrong side may give any."""
    doubted = [("own", False, "ash", 1e-6)]
    copied.results("femur").write_table("membership", membership(doubted))
    copied.results("tibia").write_table("membership", membership([("own", False, "ash", 0.03)]))
    for element, changed in {
        "femur": {"verdict": "undecided", "tempered_by": why},
        "tibia": {"verdict": "outside", "tempered_by": ""},
    }.items():
        table = copied.results(element).table("conclusions")
        copied.results(element).write_table("conclusions", table.assign(**changed))
    assert copied.step("combine") == 0
    row = individuals_told(copied.config).set_index("specimen").loc["own"]
    assert row["verdict"] == "outside"
    left_out = why != "unstable"
    assert row["combined_p_value"] == pytest.approx(0.03 if left_out else 2e-6)
    said = "What hangs on suspected digitisations is left out of that: femur."
    assert (said in row["paragraph"]) == left_out
    # an element inside is not outvoted by evidence that counts for nothing
    table = copied.results("tibia").table("conclusions").assign(verdict="inside")
    copied.results("tibia").write_table("conclusions", table)
    copied.results("tibia").write_table("membership", membership([("own", False, "ash", 0.3)]))
    assert copied.step("combine") == 0
    row = copied.joined.table("individuals").set_index("specimen").loc["own"]
    assert row["verdict"] == "undecided"


def test_individuals_are_joined_by_name(copied):
    """The same tables with their rows turned round give the same bytes."""
    folder = copied.joined.folder / "tables"
    assert copied.step("combine") == 0
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    for i, name in enumerate(BONES):
        for table in ("membership", "conclusions", "centroid_size"):
            rows = copied.results(name).table(table)
            copied.results(name).write_table(table, rows.sample(frac=1, random_state=i))
    assert copied.step("combine") == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert set(before) == {
        "individuals.csv", "individual_evidence.csv", "proportions.csv", "proportion_values.csv",
    }  # fmt: skip


def test_proportions_are_judged_as_by_hand(two):
    """Log ratios: Student's t of one new individual, and the difference in deviations.

    The factor for small samples is that of Hedges (1981), Journal of Educational Statistics 6,
    107-128, by its gamma functions.
    """
    sizes = {
        name: two.results(name).table("centroid_size").set_index("specimen")["centroid_size_mm"]
        for name in BONES
    }
    ratio = np.log(sizes["femur"] / sizes["tibia"]).dropna()
    values = two.joined.table("proportion_values").set_index("specimen")["ratio"]
    assert set(values.index) == set(ratio.index)
    np.testing.assert_allclose(values, np.exp(ratio)[values.index], rtol=1e-8)
    table = two.joined.table("proportions")
    assert len(table) == 3 * 2
    for row in table.to_dict("records"):
        own = ratio[ratio.index.str.startswith(f"{row['taxon']} ")]
        n, far = len(own), ratio[row["specimen"]] - own.mean()
        t = far / own.std(ddof=1) / np.sqrt(1 + 1 / n)
        assert row["p_value"] == pytest.approx(2 * stats.t.sf(abs(t), n - 1), rel=1e-6)
        v = n - 1
        factor = np.exp(gammaln(v / 2) - gammaln((v - 1) / 2)) / np.sqrt(v / 2)
        assert row["standardised_difference"] == pytest.approx(
            factor * far / own.std(ddof=1), rel=1e-6
        )
        assert row["ratio_mean"] == pytest.approx(np.exp(own.mean()), rel=1e-8)
        # one pair of elements: nothing to adjust for
        assert row["p_value_false_discovery"] == pytest.approx(row["p_value"], rel=1e-8)


def test_without_a_query_there_are_tables_without_rows(invent, only_svg):
    """Known individuals keep their ratios."""
    study = invent({"ash": 6, "birch": 6}, {}, elements=BONES)
    study.analyse()
    tables = {name: study.joined.table(name) for name in JOINED}
    for name in ("individuals", "individual_evidence", "proportions"):
        assert tables[name].empty
    assert len(tables["proportion_values"]) == 12
    assert set(tables["proportion_values"]["role"]) == {"known"}
    assert study.step("draw", "all-elements", "proportions") == 0


def test_a_query_of_elements_that_no_known_individual_shares(invent):
    """Half of the known individuals have one bone, the others the other: nothing to compare."""
    study = invent({"ash": 12}, {"find": "ash"}, elements=BONES)
    study.shapes["femur"][:6] = np.nan
    study.shapes["tibia"][6:12] = np.nan
    study.write()
    study.analyse()
    assert study.joined.table("proportions").empty
    assert study.joined.table("proportion_values")["specimen"].tolist() == ["find"]
    assert study.joined.table("individuals")["elements"].tolist() == [2]
