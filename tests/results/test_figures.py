"""Each figure is described once, and drawn from what its entry names."""

import re
from inspect import signature

import pytest

from morpho.results.figures import FIGURES
from morpho.results.questions import QUESTIONS
from morpho.steps.show.draw import drawn_by


@pytest.mark.parametrize("figure", FIGURES.values(), ids=FIGURES)
def test_a_figure_is_described_and_takes_what_its_entry_names(figure):
    """A caption says how to read it: it is the same for every study and has no result in it."""
    draw = drawn_by(figure)
    assert set(signature(draw).parameters) == set(figure.needs)
    # what may hold only a message says why; what is left out of the page then need not
    assert hasattr(draw, "nothing") or not figure.nothing
    assert hasattr(draw, "nothing") or figure.per != "query"
    assert figure.title
    assert len(figure.alternative) > 30
    assert figure.caption.endswith(".")
    assert not re.search(r"\d", figure.caption.replace("in 3D", ""))
    assert figure.section in QUESTIONS
    assert figure.tables
