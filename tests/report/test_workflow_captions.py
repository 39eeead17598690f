"""Captions for the workflow engine's report: each is read as plain text."""

from types import SimpleNamespace

import pytest

from morpho.report import workflow_captions as module
from morpho.report.captions import CAPTIONS
from morpho.report.legend import JOINED, TABLES
from morpho.report.words import CAUTION
from morpho.report.workflow_captions import workflow_captions

NASTY = [
    "*star* **bold** `code` ``lit``", "a_ b__ |sub| |x|_", "back\\slash \\", "{{ 7*7 }} {% if x %}",
    "{# gone #}", "_target: [1]_ [#]_ http_", "50 % of 3 < 4 & <img src=x onerror=alert(1)>",
]  # fmt: skip

jinja2 = pytest.importorskip("jinja2")
docutils_core = pytest.importorskip("docutils.core")


def filled(text, figure=""):
    """A caption as the engine reads it: first a template, then reStructuredText."""

    engine = SimpleNamespace(wildcards=SimpleNamespace(figure=figure))
    return jinja2.Template(text).render(snakemake=engine)


def read(text):
    """Tree of reStructuredText; what is not right in it is an error."""
    strict = {"report_level": 1, "halt_level": 1, "raw_enabled": False}
    return docutils_core.publish_doctree(text, settings_overrides=strict)


def squeezed(text):
    return " ".join(text.split())


def test_captions_of_tables_read_as_the_legend():
    files = workflow_captions()
    told = {
        name: squeezed(read(filled(files[f"tables/{name}.rst"])).astext())
        for name in TABLES | JOINED
    }
    assert told == {name: squeezed(text) for name, (text, _) in (TABLES | JOINED).items()}


def test_a_caption_of_a_figure_is_its_own_and_no_other():
    text = workflow_captions()["figures.rst"]
    trees = {figure: read(filled(text, figure)) for figure in CAPTIONS}
    told = {figure: squeezed(tree.astext()) for figure, tree in trees.items()}
    assert told == {name: squeezed(f"{c.title} {c.text}") for name, c in CAPTIONS.items()}
    assert [name for name, tree in trees.items() if "<strong>" not in str(tree)] == []


def test_the_overview_holds_the_caution():
    assert squeezed(CAUTION) in squeezed(read(filled(workflow_captions()["workflow.rst"])).astext())


@pytest.mark.parametrize("text", NASTY)
def test_special_characters_stay_text(monkeypatch, text):
    """Whatever a legend may say one day is read as it stands."""
    monkeypatch.setattr(module, "TABLES", {"odd": (f"Of {text} it is.", {})})
    tree = read(filled(workflow_captions()["tables/odd.rst"]))
    assert squeezed(tree.astext()) == squeezed(f"Of {text} it is.")
    assert [node.tagname for node in tree.findall() if node.tagname != "#text"] == [
        "document", "paragraph",
    ]  # fmt: skip
