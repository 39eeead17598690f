"""What could not be computed, in plain words: each reason once, and nothing raw."""

import ast
import re
from pathlib import Path

import pytest

import morpho
from helpers import small_tables as small
from morpho.inference.models.design import InferenceError
from morpho.report.words.filters import sentence
from morpho.report.words.trouble import (
    failed_surfaces,
    nothing_to_compare,
    trouble_words,
)
from morpho.steps.trouble import Trouble

PACKAGE = Path(morpho.__file__).parent


def row(part, code, **facts):
    return {"part": part, **facts, "code": code}


def both(part, code, **facts):
    return [row(part, code, size_heeded=heeded, **facts) for heeded in (False, True)]


@pytest.fixture
def element():
    return small.element()


def only(element, *taxa):
    """Leave only some taxa in an element."""
    table = element.tables["specimens"]
    element.tables["specimens"] = table[(table["role"] == "query") | table["taxon"].isin(taxa)]


def one_taxon(element):
    element.notes["grow"] |= {
        "constant": ["taxon"],
        "trouble": [row("slopes", "repeats", term="size by taxon")],
    }
    element.notes["compare"]["trouble"] = [
        *both("criteria", "repeats", term="taxon"),
        *both("pairs", "one_taxon"),
    ]
    element.notes["discriminate"]["trouble"] = both("discrimination", "one_taxon")


LEFT_OUT = (
    "so the term taxon of the linear model, the test whether taxa share one growth line, the "
    "multivariate criteria, the distances between mean shapes of taxa and canonical axes with "
    "cross-validation were left out."
)


def test_a_surface_that_could_not_be_made_is_said_beside_its_query_too(element):
    inside_out = row("heat", "inside_out", specimen="find", share=0.73)
    element.notes["warp"] = {"trouble": [row("form", "", form="mean of a taxon"), inside_out]}
    said = (
        "The heat on the scan of find could not be computed: the warp turns 73 % of the surface "
        "inside out, as it does where a bone is of the other side or its landmarks are in another "
        "order; see what screening found."
    )
    assert trouble_words(element) == [
        "The surface of the mean of a taxon could not be computed: the numbers of this sample do "
        "not allow it.",
        said,
    ]
    assert failed_surfaces(element, "find") == [said]
    assert failed_surfaces(element, "other") == []
    element.notes["warp"]["trouble"] = [row("completed", "one_place", specimen="find")]
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
        "trouble": [row("criteria", "no_taxon", size_heeded=False)],
    }
    element.notes["grow"]["trouble"] = [row("model", "no_taxon")]
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
            [row("model", "coefficients", coefficients=5, specimens=5)],
            "The linear model of shape could not be computed: the model has 5 coefficients for 5 "
            "specimens: take terms out or add specimens.",
        ),
        (
            "grow",
            [row("growth_line", "one_size")],
            "The growth line could not be computed: sizes do not vary within any taxon: no slope "
            "can be found.",
        ),
        (
            "grow",
            [row("model", "repeats", term="age")],
            "The linear model of shape could not be computed: age does not vary, or the terms of "
            "the model before it say the same.",
        ),
        (
            "measure",
            [row("asymmetry", "few_specimens", least=2, found=1)],
            "The test of sides could not be computed: it takes at least 2 specimens, and there is "
            "1 specimen.",
        ),
        (
            "measure",
            [row("", "not_repeated")],
            "No specimen was digitised twice: digitising error is not known.",
        ),
        (
            "compare",
            [row("pairs", "", size_heeded=True)],
            "The distances between mean shapes of taxa (at one size) could not be computed: the "
            "numbers of this sample do not allow it.",
        ),
        (
            "differ",
            both("differences", "too_far", specimen="find", taxon="oak", who="query"),
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
        row("differences", "too_far", specimen="find", taxon=taxon, who="known")
        for taxon in ("ash", "oak")
    ]
    assert [text.split(" could")[0] for text in trouble_words(element)] == [
        "The differences of find from ash and the differences of find from oak"
    ]


def codes_in(folder):
    """Key words that refusals of a folder of the package are raised with."""
    for path in sorted((PACKAGE / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            call = node.exc if isinstance(node, ast.Raise) else None
            if isinstance(call, ast.Call) and len(call.args) > 1:
                yield from (
                    one.value for one in ast.walk(call.args[1])
                    if isinstance(one, ast.Constant) and isinstance(one.value, str)
                )  # fmt: skip


def test_every_key_word_of_a_refusal_has_words_of_its_own():
    codes = {code for folder in ("shape", "inference", "steps") for code in codes_in(folder)}
    assert len(codes) > 25
    template = (PACKAGE / "report" / "words" / "trouble.jinja").read_text(encoding="utf-8")
    assert [
        code
        for code in sorted(codes)
        if not re.search(f'code == "{code}"|^  "{code}": "', template, re.M)
    ] == []


def test_a_refusal_is_noted_with_its_facts_and_the_step_goes_on(capsys):
    trouble = Trouble()
    with trouble.met("criteria", size_heeded=True):
        raise InferenceError("Too few.", "few_specimens", least=3, found=1)
    assert trouble.rows == [
        {"part": "criteria", "size_heeded": True, "code": "few_specimens", "least": 3, "found": 1}
    ]
    assert "Too few." in capsys.readouterr().out
    with pytest.raises(ZeroDivisionError), trouble.met("criteria"):
        raise ZeroDivisionError


def test_a_sentence_has_a_capital_and_one_stop():
    assert [sentence(text) for text in ("a bone", "A bone.", " what? ", "")] == [
        "A bone.", "A bone.", "What?", "",
    ]  # fmt: skip


def test_the_order_is_that_of_the_analysis(element):
    """Page and methods read the notes in different orders."""
    only(element, "oak")
    one_taxon(element)
    before = trouble_words(element)
    for step in ("grow", "compare"):
        element.notes[step] = element.notes.pop(step)
    assert trouble_words(element) == before
