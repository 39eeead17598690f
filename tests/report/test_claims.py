"""No sentence claims more than its number: shares, p-values, counts and causes as a reviewer
would read them."""

from dataclasses import replace

import pandas as pd
import pytest

from helpers import small_tables as small
from morpho.report.page import _rows
from morpho.report.paper.tables import manuscript_tables
from morpho.report.words.filters import probability
from morpho.report.words.methods import methods_paragraphs
from morpho.report.words.results import findings
from morpho.report.words.trust import sample_words, trust_words
from morpho.report.words.writing import as_plain, said
from morpho.results.figures import FIGURES
from morpho.wording import p_value_words, p_words, percent


def methods(element, **blocks):
    settings = small.settings(**blocks)
    return as_plain(" ".join(methods_paragraphs(settings, [element], {"formkin": "1"})))


def results(element, **blocks):
    told = {element.name: small.told(element)}
    return as_plain(" ".join(findings(small.settings(**blocks), [element], told)[element.name]))


@pytest.mark.parametrize(
    ("share", "digits", "told"),
    [
        (0, 0, "0 %"), (1, 0, "100 %"), (1, 1, "100.0 %"), (0.996, 0, "99.6 %"),
        (0.9996, 1, "99.96 %"), (0.0031, 0, "0.3 %"), (0.5, 0, "50 %"), (0.1234, 1, "12.3 %"),
        (1 - 1e-9, 0, "over 99.9999 %"), (1e-9, 1, "below 0.0001 %"), (float("nan"), 0, "–"),
    ],
)  # fmt: skip
def test_only_all_is_100_percent_and_only_nothing_0(share, digits, told):
    assert percent(share, digits) == told


def test_a_share_of_nearly_all_is_not_told_as_all():
    """In results and in methods."""
    element = small.element()
    element.notes["ordinate"]["share"] = 0.99961
    element.tables["accuracy"]["share_correct"] = 0.9996
    assert "2 axes retained hold 99.96 %" in results(element)
    assert "(99.96 %; kappa" in results(element)
    assert "2 with 99.96 % of the variance" in methods(element)
    assert "100" not in results(element)


def test_no_p_value_is_told_as_0_and_only_1_as_1():
    assert p_words(0.0) == "p below 0.001"
    assert p_words(0.99997) == "p above 0.999"
    assert p_words(1.0) == "p = 1.000"
    assert p_value_words(0.9994) == probability(0.9994) == "0.999"
    table = pd.DataFrame({"p_value": [0.0, 1e-7, 0.99999], "posterior_probability": [1.0, 0.5, 0]})
    body = _rows(table, {"p_value": "p", "posterior_probability": "t"})["body"]
    assert body == (("<0.001", "1.000"), ("<0.001", "0.500"), (">0.999", "<0.001"))
    element = small.element()
    element.tables["membership"]["p_value"] = 0.99999
    (printed,) = (t for t in manuscript_tables({"bone": element.tables}) if t.name == "membership")
    assert {row[-1] for row in printed.rows} == {">0.999"}
    element.tables["membership"]["p_value"] = 1e-9
    assert "; p below 0.001 against it." in results(element)


def test_the_level_stands_beside_what_it_rejects():
    element = small.element()
    element.tables["slopes"].loc[2, "p_value"] = 0.011
    text = results(element, tests={"alpha": 0.013})
    assert "That the taxa share one growth line is rejected at 0.013 (" in text
    assert "do not share one growth line" not in text


def test_specimens_left_out_are_counted_and_not_called_all():
    """A specimen that is alone in its taxon is not left out by itself."""
    element = small.element()
    assert "Of 8 known specimens left out in turn" in results(element)
    assert "each known specimen that is not alone in its taxon was left out in turn" in methods(
        element
    )
    assert "not alone in its taxon" in FIGURES["calibration"].caption


def test_what_is_not_found_anew_in_calibration_is_said():
    element = small.element()
    said = "found anew (semilandmarks and estimated points stay where the whole sample has them);"
    assert said in methods(element)
    element.tables["estimated_points"] = element.tables["estimated_points"][:0]
    assert "found anew (semilandmarks stay where" in methods(element)
    element.notes["slide"]["curves"] = []
    assert "growth lines found anew; intervals" in methods(element)


@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_methods_say_like_the_page_that_verdicts_are_not_corrected_for_their_number(alpha):
    words = as_plain(said("methods_verdict", "uncorrected", alpha))
    assert f"{100 * alpha:g} in a hundred members" in words
    assert words in methods(small.element(), tests={"alpha": alpha})


def test_methods_say_as_the_page_does_at_which_size_a_query_is_inside():
    element = small.element()
    said = "inside where the test of a taxon does not reject at its own size; otherwise undecided"
    assert said in methods(element)
    assert "all taxa that keep a query are named, the nearest first" in methods(element)
    membership = element.tables["membership"]
    element.tables["membership"] = membership[~membership["size_heeded"]]
    assert "inside where the test of a taxon does not reject; otherwise" in methods(element)


def test_page_and_methods_count_the_same_specimens():
    """Those set aside are neither mirrored nor averaged in what was analysed."""
    element = small.element()
    table = element.tables["specimens"]
    table["mirrored"], table["digitisations"] = True, 2
    table.loc[table.index[0], "used"] = False
    used = int(table["used"].sum())
    assert used < len(table)
    page = sample_words(element)
    assert f"Mirrored, so that all are {element.notes['prepare']['side']} ones: {used}." in page
    assert f"Averaged from replicates: {used} specimens." in page
    assert f"{used} specimens of the other side were mirrored" in methods(element)
    assert f"Replicate digitisations of {used} specimens were averaged" in methods(element)


def trust(element, **tables):
    nothing = pd.DataFrame(columns=["specimen", "distance_mm", "flag"])
    given = {"suspicions": nothing, "carried_points": nothing, "recovery": nothing}
    return " ".join(trust_words(replace(element, tables=element.tables | given | tables), 0.05))


def test_the_page_names_tests_as_tests_and_errors_as_what_they_are():
    element = small.element()
    text = trust(element)
    assert "Test of directional asymmetry: p = 0.034; of fluctuating asymmetry beyond" in text
    assert "lie 0.0172 apart in Procrustes distance, in root mean square." in text
    assert "in root mean square" in results(element)
    recovery = pd.DataFrame(
        {"landmark": ["p", "q", "r"], "error_mm": [1.0, 2.0, 9.0], "error_in_spread": [0.1, 2, 3]}
    )
    text = trust(element, recovery=recovery)
    assert "hidden landmarks that were estimated lie off by 2 mm (median)" in text
    assert "within 2 mm" not in text


def test_things_that_screening_found_are_not_counted_as_digitisations():
    rows = [{"specimen": "x", "replicate": "", "kind": "mirror", "landmarks": "", "side": ""}] * 3
    text = trust(small.element(), suspicions=pd.DataFrame(rows))
    assert "Screening of 29 digitisations found 3 things to look at." in text


def test_elements_that_disagree_may_do_so_by_chance():
    elements = [{"element": "jaw", "verdict": "outside"}, {"element": "rib", "verdict": "inside"}]
    best = {"taxon": "a", "combined_p_value": 0.81}
    text = as_plain(said("individual", "individual", "Q", "undecided", elements, best, ["a"], []))
    assert "The elements disagree: by chance, or it is a chimaera, a mistake or a mosaic." in text
    assert "a has the largest p-value (0.810)" in text
    assert "rejects least" not in text


def test_a_query_among_the_dots_is_not_said_to_belong():
    assert "query that belongs" not in FIGURES["distances"].caption
    assert "is what the taxon looks like" not in FIGURES["trajectories"].caption
