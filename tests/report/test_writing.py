"""Sentences made of facts by templates, and how they are written for a page, Markdown and plain."""

import html
import re

import numpy as np
import pytest
from jinja2 import DictLoader, UndefinedError
from markupsafe import Markup, escape

from helpers import small_tables as small
from morpho.report.words import writing
from morpho.report.words.filters import FILTERS, marked_name
from morpho.report.words.writing import (
    as_markdown,
    as_plain,
    cited,
    paragraphs,
    said,
)

ODD = ("[@gower1975]", "\x03gower1975\x04", "*b*", "`c`", "1. one", "- two", "# three", "$x$",
       "a\nb", "~~d~~", "\\e", "a--b", "&lt;", "two  blanks", " ,x", "( y", "{{ z }}")  # fmt: skip
NAMES = [*small.HOSTILE, *ODD]


@pytest.fixture
def wrote(monkeypatch):
    """Makes words of a template written here."""
    environment = writing._environment.__wrapped__()
    monkeypatch.setattr(writing, "_environment", lambda: environment)

    def words(text, *facts, **named):
        environment.loader = DictLoader({"here.jinja": text})
        environment.cache.clear()
        return said("here", "it", *facts, **named)

    return words


def macro(body, *facts):
    return f"{{% macro it({', '.join(facts)}) %}}\n{body}\n{{% endmacro %}}\n"


def shown(name):
    return "".join(sign if sign.isprintable() else " " for sign in name)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_text_in_every_writer(name):
    marked = marked_name(name)
    assert as_plain(marked) == shown(name)
    assert html.unescape(escape(as_plain(marked))) == shown(name)
    assert not re.search("[<>]", escape(as_plain(marked)))
    markdown = as_markdown(marked)
    assert re.sub(r"\\([^A-Za-z0-9\s])", r"\1", markdown) == shown(name)
    assert not re.search(r"(?<!\\)[<>*_`\[\]$@#|]", markdown)
    assert not re.match(r"(\d+[.)]|[-+=#]) ", markdown)
    assert not cited(marked)


# Ways in which a name may come out of a template.
WAYS = ["{{ x }}", "{{ x|bone }}", "{{ [x, x]|together }}", '{{ [x, "b"]|listed(";") }}',
        "{{ [x]|told(inner)|listed }}", "{{ inner(x) }}", "{{ x ~ x }}", "{{ [x]|join }}",
"{% set y = x %}{{ y }}", "{% set y %}{{ x }}{% endset %}{{ y }}",
        "{{ x|upper }}", '{{ "%s and %s"|format(x, x) }}']  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
def test_no_way_through_a_template_lets_a_name_pass_unescaped(wrote, way):
    """Whatever stands in a name, the words around it stay the same, and nothing of it is markup."""
    text = macro(f"Before ({way}), after.", "x")
    text += "{% macro inner(n) %}\nof {{ n }}\n{% endmacro %}\n"
    for name in NAMES:
        marked = wrote(text, name)
        assert not cited(marked)
        assert not re.search(r"(?<!\\)[<>*`\[\]$@#|]", as_markdown(marked))
        assert not re.search("[<>]", escape(as_plain(marked)))
        plain = as_plain(marked)
        assert plain.startswith("Before (")
        assert plain.endswith("), after.")
        told = shown(name).replace("_", " ") if "bone" in way else shown(name)
        assert (told.upper() if "upper" in way else told) in plain


def test_words_of_ours_are_not_escaped(wrote):
    text = macro("n_x * {{ 3|counted('two_by') }}, {{ 12 }}, {{ 'left_*'|ours }}{{ n }}", "n")
    assert as_markdown(wrote(text, np.int64(4))) == "n_x * 3 two_bys, 12, left_*4"


# ---------------------------------------------------------------- white space, paragraphs


def test_white_space_of_lines_and_blocks_is_closed_up(wrote):
    text = macro(
        "A {% if yes %}\nlong\n{% endif %} line ( {{ x }}\n) of\n   {{ blank }}\n  {{ x }} ; so\n.",
        "yes, x, blank",
    )
    words = wrote(text, True, "x", Markup())
    for write in (as_plain, as_markdown):
        assert write(words) == "A long line (x) of x; so."


def test_white_space_in_a_name_is_the_users(wrote):
    words = wrote(macro("of\n{{ name }}\n.", "name"), "a  b ,c ( d")
    assert as_plain(words) == "of a  b ,c ( d."


def test_an_empty_line_parts_paragraphs_but_not_within_another_macro(wrote):
    text = macro(
        "First\n\n{{ inner() }}\n{% if no %}\nNever\n{% endif %}\n\n\nLast {{ x }}", "no, x"
    )
    text += "{% macro inner() %}\nsecond\n\nand more\n{% endmacro %}\n"
    told = paragraphs(wrote(text, False, "a\n\nb"))
    assert list(map(as_plain, told)) == ["First", "second and more", "Last a  b"]


# ---------------------------------------------------------------- citations


def test_citations_in_all_forms(wrote):
    words = wrote(macro('fitted\n{{ cite("gower1975", "rohlf1990", "goodall1991") }}.'))
    assert as_markdown(words) == "fitted [@gower1975; @rohlf1990; @goodall1991]."
    assert as_plain(words) == "fitted (Gower 1975; Rohlf & Slice 1990; Goodall 1991)."
    assert escape(as_plain(words)) == "fitted (Gower 1975; Rohlf &amp; Slice 1990; Goodall 1991)."
    assert cited(words) == {"gower1975", "rohlf1990", "goodall1991"}
    assert cited("nothing") == set()


def test_an_unknown_source_is_refused(wrote):
    with pytest.raises(KeyError, match=r"references\.bib holds no nobody1900"):
        wrote(macro('{{ cite("gower1975", "nobody1900") }}'))


# ---------------------------------------------------------------- what is missing


@pytest.mark.parametrize(
    "way",
    ["{{ row.gone }}", "{% if row.gone %}a{% endif %}", "{{ row.gone|bone }}", "{{ gone }}",
     "{% for one in row.gone %}a{% endfor %}", "{% if row.gone is known %}a{% endif %}",
     "{{ [row.gone]|together }}", *(f"{{{{ row.gone|{name} }}}}" for name in
     ("number", "percent", "probability", "p", "p_value", "ours", "in_a_hundred"))],
)  # fmt: skip
def test_a_missing_fact_is_refused(wrote, way):
    with pytest.raises(UndefinedError, match="gone"):
        wrote(macro(way, "row"), {})


@pytest.mark.parametrize("nothing", [None, True, False])
def test_nothing_is_told_of_nothing(wrote, nothing):
    with pytest.raises(TypeError, match=str(nothing)):
        wrote(macro("{{ x }}", "x"), nothing)


# ---------------------------------------------------------------- filters


@pytest.mark.parametrize(
    ("call", "told"),
    [
        ("{{ 0.01234|number }}", "0.0123"),
        ("{{ 0.5|percent }} {{ 0.5|percent(1) }}", "50 % 50.0 %"),
        ("{{ 0.05|in_a_hundred }}", "5"),
        ("{{ 0.81534|decimals(3) }}", "0.815"),
        ("{{ 0.0001|p }}, {{ 0.2|p_value }}", "p below 0.001, 0.200"),
        ("{{ 1|counted('patch') }}, {{ 2|counted('patch') }}", "1 patch, 2 patches"),
        ("{{ 1|plural('is', 'are') }} {{ 0|plural('is', 'are') }}", "is are"),
        ("{{ []|together }}{{ ['a']|together }}", "a"),
        ("{{ ['a', 'b']|together }}", "a and b"),
        ("{{ ['a', 'b', 'c']|together('or') }}", "a, b or c"),
        ("{{ ['a', 'b', 'c']|listed }}; {{ ['a', 'b']|listed(';') }}", "a, b, c; a; b"),
        ("{{ ['a', 'b']|told(many, 2)|listed }}", "2 of a, 2 of b"),
        ("{{ [1, none, nan]|select('known')|list|together }}", "1"),
        ("{{ ('ab'|ours)|first_large }}", "Ab"),
    ],
)
def test_filters(wrote, call, told):
    text = macro(call, "nan") + "{% macro many(x, n) %}\n{{ n }} of {{ x }}\n{% endmacro %}\n"
    assert as_plain(wrote(text, float("nan"))) == told


def test_elements_are_named_where_they_differ(wrote):
    rib, jaw = small.element(name="rib"), small.element(name="upper_jaw")
    text = macro("{{ all|each(passes) }}; {{ some|among(all) }}, {{ all|among(all) }}", "all, some")
    text += "{% macro passes(e) %}{{ e.notes.slide.passes }}{% endmacro %}\n"
    assert as_plain(wrote(text, [rib, jaw], [jaw])) == "13; of the upper jaw,"
    jaw.notes["slide"]["passes"] = 4
    assert (
        as_plain(wrote(text, [rib, jaw], [rib]))
        == "13 for the rib; 4 for the upper jaw; of the rib,"
    )


def test_elements_with_rows():
    with_rows, without = small.element(), small.element()
    without.tables["fits"] = without.tables["fits"].iloc[:0]
    del without.tables["meshes"]
    having, rows = FILTERS["having"], FILTERS["rows"]
    assert having([with_rows, without], "fits", "meshes") == [with_rows]
    assert len(rows(with_rows, "fits")) == len(with_rows.tables["fits"]) > 0
    assert rows(without, "fits") == rows(without, "meshes") == []
