"""References: each stands in the code too, and only those of methods really used are given."""

import re
from pathlib import Path

import pytest

from helpers import small_tables as small
from morpho.report.bibliography import REFERENCES, Reference
from morpho.report.references import (
    METHODS,
    bibtex,
    bibtex_text,
    methods_used,
    references_for,
    sources_of,
)

PACKAGE = Path(__file__).parents[2] / "morpho"
# Their docstring ends with another source, which is the one from memory.
BEFORE_ANOTHER = {"bailey1990", "fruciano2016"}


def source_text(reference):
    path = PACKAGE.joinpath(*reference.module.split(".")).with_suffix(".py")
    return " ".join(path.read_text(encoding="utf-8").split())


def place(reference, text):
    """Where the source is named: first author, then the year not far behind."""
    name = re.escape(reference.authors[0].split(",")[0])
    return re.search(rf"\b{name}\b.{{0,140}}?\b{reference.year}\b", text)


@pytest.mark.parametrize("reference", REFERENCES.values(), ids=list(REFERENCES))
def test_each_reference_stands_in_the_code(reference):
    """Author, year, journal, volume and pages are those of the docstring.

    So is the title, or the entry says that it is from memory.
    """
    text = source_text(reference)
    found = place(reference, text)
    assert found, f"{reference.key} is not named in {reference.module}"
    for key in ("journal", "booktitle", "pages", "number"):
        assert reference.fields.get(key, "") in text, key
    if "volume" in reference.fields:
        where = f"{reference.fields['volume']}, "
        assert where + (reference.fields.get("pages") or reference.fields["number"]) in text
    if not reference.memory:
        assert reference.title in text


@pytest.mark.parametrize("reference", REFERENCES.values(), ids=list(REFERENCES))
def test_what_the_code_has_from_memory_is_marked(reference):
    text = source_text(reference)
    after = text[place(reference, text).start() :][:450]
    if "from memory" in after and reference.key not in BEFORE_ANOTHER:
        assert reference.memory == "cited from memory"
    if reference.memory == "cited from memory":
        assert "from memory" in after


def test_keys_are_author_and_year():
    for key, reference in REFERENCES.items():
        assert key == reference.key
        surname = re.sub("[^a-z]", "", reference.authors[0].split(",")[0].lower())
        assert key == f"{surname}{reference.year}"


def test_labels():
    one = REFERENCES["gower1975"]
    assert one.label == "Gower 1975"
    assert REFERENCES["rohlf1990"].label == "Rohlf & Slice 1990"
    assert REFERENCES["gunz2009"].label == "Gunz et al. 2009"


def test_every_reference_belongs_to_a_method():
    assert {key for method in METHODS for key in method.references} == set(REFERENCES)
    assert len({method.name for method in METHODS}) == len(METHODS)
    with pytest.raises(KeyError):
        sources_of("no such method")


def used(element, **blocks):
    return set(methods_used(small.settings(**blocks), [element]))


@pytest.mark.parametrize(
    ("table", "method"),
    [
        ("estimated_points", "estimation"),
        ("estimated_points", "regression"),
        ("distortion", "distortion"),
        ("digitising_error", "digitising error"),
        ("asymmetry", "asymmetry"),
        ("model_terms", "linear model"),
        ("group_criteria", "criteria"),
        ("pairwise_distances", "pairs"),
        ("accuracy", "discriminant"),
        ("membership", "typicality"),
        ("membership", "intersection-union"),
        ("calibration_summary", "calibration"),
        ("displacements", "displacement"),
        ("displacements", "resistant fit"),
        ("displacements", "regions"),
        ("fits", "resistant fit"),
        ("region_displacements", "regions"),
        ("measurement_ranking", "measurements"),
        ("measurement_ranking", "new member"),
        ("measurement_ranking", "every taxon"),
        ("measurement_ranking", "beyond allometry"),
        ("meshes", "surfaces"),
        ("meshes", "heat"),
        ("meshes", "closing"),
        ("rarefaction", "rarefaction"),
    ],
)
def test_a_method_that_left_no_rows_is_not_cited(table, method):
    element = small.element()
    assert method in used(element)
    element.tables[table] = element.tables[table].iloc[:0]
    assert method not in used(element)


@pytest.mark.parametrize(
    ("step", "key", "value", "method"),
    [
        ("superimpose", "symmetric", False, "symmetry"),
        ("screen", "screened", 0, "screening"),
        ("grow", "slope_length", 0.0, "growth line"),
        ("slide", "curves", [], "sliding"),
        ("slide", "method", "spline", "regression"),
    ],
)
def test_a_method_that_was_not_noted_is_not_cited(step, key, value, method):
    element = small.element()
    assert method in used(element)
    element.notes[step][key] = value
    assert method not in used(element)


def test_choices_bring_their_own_sources():
    element = small.element()
    plain = used(element)
    assert not {"parallel analysis", "broken stick", "shrinkage"} & plain
    assert "shrinkage" in used(element, tests={"covariance": "shrunken"})
    assert "bending energy" in plain
    other = {"semilandmarks": {"criterion": "procrustes"}}
    assert "bending energy" not in used(element, preparation=other)
    element.notes["ordinate"]["rule"] = "broken_stick"
    assert "broken stick" in used(element)


def test_false_discoveries_are_controlled_where_many_are_tested():
    element = small.element()
    for table in ("displacements", "measurement_ranking"):
        assert "false discovery" in used(element)
        element.tables[table] = element.tables[table].iloc[:0]
    assert "false discovery" not in used(element)


def test_rows_that_show_no_use_of_a_method_do_not_bring_its_sources():
    element = small.element()
    element.tables["rarefaction"]["mean_error"] = float("nan")
    element.tables["measurement_ranking"]["size_heeded"] = False
    meshes = element.tables["meshes"]
    element.tables["meshes"] = meshes[meshes["template"] == ""].assign(holes_closed=0)
    assert not {"rarefaction", "beyond allometry", "surfaces", "closing"} & used(element)
    assert "heat" in used(element)
    element.tables["meshes"] = meshes[meshes["template"] != ""]
    assert "surfaces" in used(element)
    assert "heat" not in used(element)


def used_together(joined):
    return {m.name for m in METHODS if m.together} & set(
        methods_used(small.settings(), [small.element()], joined)
    )


def test_what_joins_elements_is_cited_where_it_was_done():
    assert used_together(None) == used_together({}) == set()
    joined = small.joined()
    assert used_together(joined) == {"combined elements", "relative sizes"}
    joined["individuals"]["elements"] = 1
    joined["proportions"].loc[1, "second"] = "tail"
    assert used_together(joined) == {"relative sizes", "pairs of elements"}
    joined["proportions"] = joined["proportions"].iloc[:0]
    assert used_together(joined) == set()
    keys = {s.key for s in references_for(small.settings(), [small.element()], small.joined())}
    assert {"vovk2020", "mosimann1970"} <= keys


def test_references_are_those_of_the_methods_used():
    elements = [small.element(), small.element(name="atlas")]
    keys = [source.key for source in references_for(small.settings(), elements)]
    assert keys == sorted(set(keys))
    assert {"gower1975", "vovk2005", "berger1982"} <= set(keys)
    assert not {"horn1965", "frontier1976", "ledoit2004"} & set(keys)


# ---------------------------------------------------------------- BibTeX


def parse(text):
    """A strict reader of BibTeX: entries as (kind, key, fields); anything else is an error."""
    entries, i = [], 0

    def skip(i):
        while i < len(text) and text[i].isspace():
            i += 1
        return i

    def take(pattern, i):
        found = re.compile(pattern).match(text, i)
        assert found, f"{pattern} expected at {text[i : i + 40]!r}"
        return found.group(), found.end()

    while (i := skip(i)) < len(text):
        kind, i = take(r"@[a-z]+", i)
        _, i = take(r"\{", i)
        key, i = take(r"[^\s,{}]+", i)
        _, i = take(r",", i)
        fields = {}
        while text[i := skip(i)] != "}":
            name, i = take(r"[a-z]+", i)
            _, i = take(r"\s*=\s*", i)
            assert text[i] == "{"
            start, depth = i, 0
            while True:  # BibTeX counts every brace, escaped or not
                depth += {"{": 1, "}": -1}.get(text[i], 0)
                i += 1
                if not depth:
                    break
            assert name not in fields, f"{name} twice in {key}"
            fields[name] = text[start + 1 : i - 1]
            _, i = take(r",", skip(i))
        i += 1
        entries.append((kind[1:], key, fields))
    return entries


def unescaped(text):
    words = {
        r"{\textbackslash}": "\\", r"{\textasciitilde}": "~", r"{\textasciicircum}": "^",
        r"{\textbraceleft}": "{", r"{\textbraceright}": "}",
    }  # fmt: skip
    found = re.sub(r"\{\\text[a-z]+\}|\\([&%$#_])", lambda m: m[1] or words[m.group()], text)
    return found


NEEDED = {
    "article": {"author", "title", "journal", "volume", "year"},
    "book": {"author", "title", "year"},
    "incollection": {"author", "title", "booktitle", "year", "pages"},
}


def test_bibtex_parses_and_holds_what_was_given():
    entries = parse(bibtex(REFERENCES.values()))
    assert [key for _, key, _ in entries] == list(REFERENCES)
    for kind, key, fields in entries:
        reference = REFERENCES[key]
        assert kind == reference.kind
        assert set(fields) >= NEEDED[kind]
        assert fields["title"] == f"{{{bibtex_text(reference.title)}}}"
        assert fields["author"].split(" and ") == list(reference.authors)
        assert fields["year"] == str(reference.year)
        assert fields.get("note", "") == reference.memory
        assert "-" not in fields.get("pages", "").replace("--", "")


def test_bibtex_escapes_every_special_sign():
    odd = "50 % of {A} & B_1 #2 $x$ ~ ^ \\ } {"
    reference = Reference("odd2000", "book", ("O'Dd, X.",), 2000, odd, {"publisher": odd}, "m", odd)
    [(_, _, fields)] = parse(bibtex([reference]))
    assert unescaped(fields["title"][1:-1]) == odd
    assert unescaped(fields["publisher"]) == odd
    assert not re.search(r"(?<!\\)[&%$#_]", fields["publisher"])
