"""What could not be computed, in plain words: each reason once, and nothing raw."""

import pandas as pd
import pytest

from helpers import small_tables as small
from morpho.report.captions import CAPTIONS
from morpho.report.empty_figures import figure_caption
from morpho.report.words.trouble import (
    failed_surfaces,
    nothing_to_compare,
    sentence,
    trouble_words,
)

NOTHING = (
    "The term taxon adds nothing: it does not vary, or the terms before it already say the same."
)
NO_TAXON = (
    "No taxon has enough specimens for tests between taxa; see tests: smallest_taxon in study.yaml."
)
FAR = "must be superimposed first, and of unit centroid size; one found has size 1.36."


@pytest.fixture
def element():
    return small.element()


def only(element, *taxa):
    """Leave only some taxa in an element."""
    table = element.tables["specimens"]
    element.tables["specimens"] = table[(table["role"] == "query") | table["taxon"].isin(taxa)]


def one_taxon(element):
    element.notes["grow"] |= {"constant": ["taxon"], "trouble": [f"slopes: {NOTHING}"]}
    element.notes["compare"]["trouble"] = [
        f"criteria, as it is: {NOTHING}",
        "pairs, as it is: Means are compared between groups: at least two are needed.",
        f"criteria, size heeded: {NOTHING}",
        "pairs, size heeded: Means are compared between groups: at least two are needed.",
    ]
    element.notes["discriminate"]["trouble"] = [
        "as it is: Canonical axes need at least two groups.",
        "size heeded: Canonical axes need at least two groups.",
    ]


LEFT_OUT = (
    "so the term taxon of the linear model, the test whether taxa share one growth line, the "
    "multivariate criteria, the distances between mean shapes of taxa and canonical axes with "
    "cross-validation were left out."
)


INSIDE_OUT = (
    "the heat on the scan of find: The warp turns 73% of the surface inside out: `target` is the "
    "mirror image of `source`, or its landmarks are in another order. Mirror the template first."
)


def test_a_surface_that_could_not_be_made_is_said_beside_its_query_too(element):
    element.notes["warp"] = {
        "trouble": ["the surface of the mean of a taxon: It cannot be.", INSIDE_OUT],
        "failed": {"find": [INSIDE_OUT]},
    }
    said = (
        "The heat on the scan of find could not be computed: the warp turns 73% of the surface "
        "inside out, as it does where a bone is of the other side or its landmarks are in another "
        "order; see what screening found."
    )
    assert trouble_words(element) == [
        "The surface of the mean of a taxon could not be computed: it cannot be.", said,
    ]  # fmt: skip
    assert failed_surfaces(element, "find") == [said]
    assert failed_surfaces(element, "other") == []
    twice = "Landmarks 3 and 30 of `source` (counted from 0) lie at one place: a spline cannot."
    element.notes["warp"]["failed"]["find"] = [f"the completed bone of find: {twice}"]
    assert failed_surfaces(element, "find") == [
        "The completed bone of find could not be computed: two of its landmarks lie at one place; "
        "see what screening found."
    ]
    del element.notes["warp"]
    assert failed_surfaces(element, "find") == []


def test_nothing_is_said_where_all_was_computed(element):
    assert trouble_words(element) == []
    assert nothing_to_compare(element) == ""


def test_one_taxon_is_one_sentence(element):
    only(element, "oak")
    one_taxon(element)
    assert trouble_words(element) == [f"There is one known taxon, {LEFT_OUT}"]


def test_one_taxon_with_specimens_enough(element):
    element.notes["compare"]["left_out"] = {"ash": 3}
    one_taxon(element)
    assert trouble_words(element) == [
        f"Only one known taxon, oak, has specimens enough for tests between taxa, {LEFT_OUT}"
    ]


def test_no_taxon_with_specimens_enough(element):
    element.notes["compare"] |= {
        "left_out": {"ash": 3, "oak": 5},
        "trouble": [f"criteria, as it is: {NO_TAXON}"],
    }
    element.notes["grow"]["trouble"] = [f"model: {NO_TAXON}"]
    assert trouble_words(element) == [
        "No taxon has enough specimens for tests between taxa (tests: smallest_taxon in "
        "study.yaml), so the linear model of shape and the multivariate criteria were left out."
    ]


def test_terms_that_do_not_vary_are_named(element):
    element.notes["grow"]["constant"] = ["age", "sex"]
    assert trouble_words(element) == [
        "The linear model was made without age and sex, which do not vary among the known "
        "specimens."
    ]


@pytest.mark.parametrize(
    ("step", "trouble", "told"),
    [
        (
            "grow",
            ["model: The model has 5 coefficients for 5 specimens: take terms out."],
            "The linear model of shape could not be computed: the model has 5 coefficients for 5 "
            "specimens: take terms out.",
        ),
        (
            "grow",
            ["growth line: Sizes do not vary within any group: no slope can be found."],
            "The growth line could not be computed: sizes do not vary within any taxon: no slope "
            "can be found.",
        ),
        (
            "grow",
            [f"model: {NOTHING.replace('taxon', 'age')}"],
            "The linear model of shape could not be computed: age does not vary, or the terms of "
            "the model before it say the same.",
        ),
        (
            "measure",
            ["asymmetry: `Y` must hold at least 2 specimens, but holds 1."],
            "The test of sides could not be computed: it takes at least 2 specimens, and there is "
            "1 specimen.",
        ),
        (
            "measure",
            ["no specimen was digitised twice: digitising error is not known"],
            "No specimen was digitised twice: digitising error is not known.",
        ),
        (
            "compare",
            ["pairs, size heeded: `X` has a column of zeros."],
            "The distances between mean shapes of taxa (at one size) could not be computed: the "
            "numbers of this sample do not allow it.",
        ),
        (
            "differ",
            [f"find from oak: The query {FAR}", f"find from oak: The query {FAR}"],
            "The differences of find from oak could not be computed: the shape of the query lies "
            "too far from the mean to be compared landmark by landmark, as it may where a "
            "landmark has slipped; see what screening found.",
        ),
    ],
)
def test_each_refusal_is_told_in_words(element, step, trouble, told):
    element.notes[step]["trouble"] = trouble
    assert trouble_words(element) == [told]


def test_parts_with_one_reason_are_joined(element):
    element.notes["differ"]["trouble"] = [
        f"find from {taxon}: Known specimens {FAR}" for taxon in ("ash", "oak")
    ]
    assert [text.split(" could")[0] for text in trouble_words(element)] == [
        "The differences of find from ash and the differences of find from oak"
    ]


def test_a_sentence_has_a_capital_and_one_stop():
    assert [sentence(text) for text in ("a bone", "A bone.", " what? ", "")] == [
        "A bone.", "A bone.", "What?", "",
    ]  # fmt: skip


# ---------------------------------------------------------------- figures without anything

EMPTY = {
    "distances": "membership",
    "trajectories": "trajectories",
    "calibration": "calibration_summary",
    "stability": "stability",
    "adequacy": "rarefaction",
    "specimens_to_decide": "specimens_to_decide",
    "landmark_error": "landmark_error",
    "canonical_axes": "canonical_scores",
}


@pytest.mark.parametrize("figure", EMPTY)
def test_an_empty_figure_says_what_it_would_show(element, figure):
    """And a full one how to read it."""
    full = pd.DataFrame({"size_heeded": [False], "value": [1.0]})
    element.tables[EMPTY[figure]] = full
    assert figure_caption(figure, element) == CAPTIONS[figure]
    element.tables[EMPTY[figure]] = full.iloc[:0]
    caption = figure_caption(figure, element)
    assert caption.text.startswith("This figure would show ")
    assert "There is nothing to show: " in caption.text
    assert CAPTIONS[figure].text not in caption.text
    assert caption.alternative.startswith("No figure of ")
    assert caption.title == CAPTIONS[figure].title


def test_why_there_is_no_digitising_error(element):
    """The invented element has three specimens that were digitised twice."""
    element.tables["landmark_error"] = pd.DataFrame()
    assert "could not be found from" in figure_caption("landmark_error", element).text
    element.tables["specimens"]["digitisations"] = 1
    assert figure_caption("landmark_error", element).text.endswith(
        "There is nothing to show: no specimen was digitised twice."
    )


def test_the_order_is_that_of_the_analysis(element):
    """Page and methods read the notes in different orders."""
    only(element, "oak")
    one_taxon(element)
    before = trouble_words(element)
    for step in ("grow", "compare"):
        element.notes[step] = element.notes.pop(step)
    assert trouble_words(element) == before
