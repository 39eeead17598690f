"""Captions for the workflow engine's report: kept as they are made, and read as plain text."""

import re
from pathlib import Path
from types import SimpleNamespace

import pytest

from morpho.report import workflow_captions as module
from morpho.report.captions import CAPTIONS
from morpho.report.legend import JOINED, TABLES
from morpho.report.words import CAUTION
from morpho.report.workflow_captions import workflow_captions

HOUSE = Path(__file__).parents[2]
KEPT = HOUSE / "config" / "captions"
NASTY = [
    "*star* **bold** `code` ``lit``", "a_ b__ |sub| |x|_", "back\\slash \\", "{{ 7*7 }} {% if x %}",
    "{# gone #}", "_target: [1]_ [#]_ http_", "50 % of 3 < 4 & <img src=x onerror=alert(1)>",
]  # fmt: skip

jinja2 = pytest.importorskip("jinja2")
docutils_core = pytest.importorskip("docutils.core")


def test_the_files_kept_are_those_made():
    """`make legend` writes them; none is missing, changed or left over."""
    kept = {
        path.relative_to(KEPT).as_posix(): path.read_text(encoding="utf-8")
        for path in KEPT.rglob("*.rst")
    }
    assert kept == workflow_captions()


def test_every_table_and_figure_has_its_caption():
    files = workflow_captions()
    tables = {name.removeprefix("tables/").removesuffix(".rst") for name in files if "/" in name}
    assert tables == set(TABLES | JOINED)
    for name in CAPTIONS:
        assert f"'{name}'" in files["figures.rst"]


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


@pytest.mark.parametrize("name", sorted(TABLES | JOINED))
def test_a_caption_of_a_table_reads_as_the_legend(name):
    text = filled(workflow_captions()[f"tables/{name}.rst"])
    assert squeezed(read(text).astext()) == squeezed((TABLES | JOINED)[name][0])


@pytest.mark.parametrize("figure", sorted(CAPTIONS))
def test_a_caption_of_a_figure_is_its_own_and_no_other(figure):
    tree = read(filled(workflow_captions()["figures.rst"], figure))
    caption = CAPTIONS[figure]
    assert squeezed(tree.astext()) == squeezed(f"{caption.title} {caption.text}")
    assert re.search(r"<strong>", str(tree))


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
