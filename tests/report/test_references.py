"""References: each stands in the code too, and only those of methods really used are given."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from helpers import small_tables as small
from morpho.report.bibliography import REFERENCES, STATES, read_references
from morpho.report.references import (
    METHODS,
    bibtex,
    methods_used,
    references_for,
    sources_of,
    still_open,
)

PACKAGE = Path(__file__).parents[2] / "morpho"


def texts():
    """Texts of the modules whose docstrings name sources, by their place."""
    files = sorted([*PACKAGE.glob("shape/**/*.py"), *PACKAGE.glob("inference/**/*.py")])
    return {f: " ".join(f.read_text(encoding="utf-8").split()) for f in files}


TEXTS = texts()


def places(reference, text):
    """What follows where a source is named: first author, then the year not far behind."""
    name = re.escape(reference.authors[0].split(",")[0])
    found = re.finditer(rf"\b{name}\b.{{0,140}}?\b{reference.fields['year']}\b", text)
    return [text[one.start() : one.end() + 320] for one in found]


def where(reference):
    """A pattern of journal, volume and pages; the number may be left out, but not be another."""
    of = {name: re.escape(value) for name, value in reference.fields.items()}
    if "journal" not in of:
        return of.get("booktitle", of["title"].split(":")[0])
    number = rf"(\({of['number']}\))?" if "number" in of else ""
    return f"{of['journal']} {of['volume']}{number}, {of['pages']}"


@pytest.mark.parametrize("reference", REFERENCES.values(), ids=list(REFERENCES))
def test_each_reference_stands_in_the_code(reference):
    """Author, year, journal, volume and pages are those of a docstring; what was not looked up
    stands there with its title."""
    named = [after for text in TEXTS.values() for after in places(reference, text)]
    whole = [after for after in named if re.search(where(reference), after)]
    assert whole, f"{reference.key} is not named with {where(reference)}"
    if reference.state == "not looked up":
        assert any(reference.fields["title"] in after for after in whole)


# Numbers behind the journals of docstrings, as 'Technometrics 21(2), 215-223'.
CITED = r"{} (\d+)(?:\(([\d-]+)\))?, (\d+-\d+|Article \d+)"


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.stem)
def test_no_docstring_gives_another_volume_number_or_page(path):
    """Of the works in references.bib, by journal and first page or volume."""
    for reference in REFERENCES.values():
        if "journal" not in reference.fields:
            continue
        for after in places(reference, TEXTS[path]):
            cited = re.search(CITED.format(re.escape(reference.fields["journal"])), after)
            if cited is None or reference.authors[0].split(",")[0] not in after[: cited.start()]:
                continue
            volume, number, pages = cited.groups()
            others = [r for r in REFERENCES.values() if r.fields.get("pages") == pages]
            assert others, f"{after[:200]}: nothing in references.bib has these pages"
            assert volume in {r.fields["volume"] for r in others}
            assert number in {None, *(r.fields.get("number") for r in others)}


def test_no_passage_is_quoted_that_nobody_has_seen():
    """Theorems, sections, equations and chapters inside works: none of them was looked up."""
    passage = re.compile(
        r"\b\d{4}\)?,[^;)]{0,60}\b(section|theorem|chapter|lemma|eqs?\.?) \d", re.IGNORECASE
    )
    for path, text in TEXTS.items():
        assert not passage.search(text), f"{path.name}: {passage.search(text)[0]}"
    assert passage.search("Anderson, T. W. (2003), 3rd ed., theorem 5.2.2")


def test_keys_are_author_and_year():
    for key, reference in REFERENCES.items():
        assert key == reference.key
        surname = re.sub("[^a-z]", "", reference.authors[0].split(",")[0].lower())
        assert key == f"{surname}{reference.fields['year']}"
    assert list(REFERENCES) == sorted(REFERENCES)


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


# ---------------------------------------------------------------- states


def test_what_was_not_looked_up_is_said():
    """In the supplement by name, with what is lacking; what was looked up is not spoken of."""
    every = list(REFERENCES.values())
    assert {source.state for source in every} == set(STATES)
    for source in every:
        assert bool(source.lacking) == (source.state == "needs a library")
        assert ("note" in source.fields) == bool(source.lacking)
        said = still_open([source])
        assert bool(said) == (source.state != "looked up")
        assert not said or source.label in said
    text = still_open(REFERENCES[key] for key in ("holm1979", "ghosh2010", "gower1975"))
    assert text == (
        "Of the sources, part is from memory and needs a library: Ghosh et al. 2010 (journal and "
        "pages). Not looked up, but cited with its title by the program: Gower 1975. The fields "
        "state and note of references.bib say the same."
    )


def test_most_sources_were_looked_up():
    looked_up = [source.key for source in REFERENCES.values() if source.state == "looked up"]
    assert len(looked_up) > len(REFERENCES) / 2
    # what nobody could confirm is cited by no method
    assert not {"chapman1990", "siegel1982", "huxley1924", "zollikofer2005"} & set(REFERENCES)


# ---------------------------------------------------------------- BibTeX

NEEDED = {
    "article": {"author", "title", "journal", "volume", "year", "pages"},
    "book": {"author", "title", "publisher", "year"},
    "incollection": {"author", "title", "booktitle", "editor", "publisher", "year", "pages"},
}


def test_each_entry_has_the_fields_that_its_kind_needs():
    for reference in REFERENCES.values():
        assert set(reference.fields) >= NEEDED[reference.kind], reference.key
        assert "-" not in re.search(r"pages = (.*)|$", reference.entry)[0].replace("--", "")
        if reference.state == "looked up" and reference.kind == "article":
            known_without = {"collyer2015"}  # its publisher's page shows none
            assert "number" in reference.fields or reference.key in known_without
        doi = reference.fields.get("doi", "10.1/x")
        assert re.fullmatch(r"10\.\d+/\S+", doi)


def test_what_is_written_is_what_was_read():
    chosen = [REFERENCES[key] for key in ("frontier1976", "gower1975")]
    again = read_references(bibtex(chosen))
    assert list(again.values()) == chosen
    assert "Étude de la décroissance" in again["frontier1976"].fields["title"]
    assert "brisé" in again["frontier1976"].fields["title"]
    assert REFERENCES["cochran1977"].fields["publisher"] == "John Wiley & Sons"
    assert bibtex(REFERENCES.values()).isascii()


@pytest.mark.parametrize(
    "spoilt",
    [
        ("  year = {1975},", "  year = 1975,"),
        ("@article{gower1975,", "@article{,"),
        ("\n}", ""),
        ("@article{gower1975", "@article{goodall1991"),
    ],
)
def test_an_entry_in_another_form_is_refused(spoilt):
    text = bibtex([REFERENCES["goodall1991"], REFERENCES["gower1975"]])
    assert len(read_references(text)) == 2
    assert text.count(spoilt[0]) >= 1
    with pytest.raises(ValueError, match="cannot be read"):
        read_references(spoilt[1].join(text.rsplit(spoilt[0], 1)))


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("bibtex") is None, reason="BibTeX is not installed")
@pytest.mark.parametrize("style", ["plain", "unsrt", "alpha", "abbrv"])
def test_bibtex_itself_takes_every_entry_without_a_warning(style, tmp_path):
    """BibTeX 0.99d with its standard styles (Patashnik 1988, BibTeXing, from memory, says which
    fields they want); an entry without a publisher brings a warning, as it must."""

    def run(sources):
        (tmp_path / "references.bib").write_text(bibtex(sources), encoding="utf-8")
        lines = [r"\relax", r"\citation{*}", rf"\bibstyle{{{style}}}", r"\bibdata{references}"]
        (tmp_path / "paper.aux").write_text("\n".join(lines) + "\n", encoding="utf-8")
        done = subprocess.run(
            ["bibtex", "paper"], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout

    code, said = run(REFERENCES.values())
    if "I couldn't open style file" in said:
        pytest.skip("BibTeX has no standard styles here")
    assert code == 0, said
    assert "warning" not in said.lower()
    printed = (tmp_path / "paper.bbl").read_text(encoding="utf-8")
    assert printed.count(r"\bibitem") == len(REFERENCES)
    book = REFERENCES["weisberg2005"]
    bare = replace(book, entry=re.sub(r"  publisher = .*\n", "", book.entry))
    assert "empty publisher in weisberg2005" in run([bare])[1]
