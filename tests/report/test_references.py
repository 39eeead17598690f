"""References: each stands in the code too, and only those of methods really used are cited."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from helpers import small_tables as small
from morpho.report.words.methods import methods_paragraphs
from morpho.report.words.sources import REFERENCES, bibtex, read_references, still_open
from morpho.report.words.writing import cited
from morpho.steps.show.supplement import sources

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


def test_every_reference_is_cited_by_a_sentence():
    """And no sentence cites what is not there, whether it is ever told or not."""
    templates = sorted((PACKAGE / "report/words").glob("*.jinja"))
    text = " ".join(path.read_text(encoding="utf-8") for path in templates)
    calls = re.findall(r"\bcite\(([^)]*)\)", text)
    assert {key for call in calls for key in re.findall(r'"(\w+)"', call)} == set(REFERENCES)


def used(element, joined=None, **blocks):
    paragraphs = methods_paragraphs(small.settings(**blocks), [element], {"formkin": "1"}, joined)
    return cited(" ".join(paragraphs))


@pytest.mark.parametrize(
    ("table", "keys"),
    [
        ("estimated_points", {"hoerl1970", "golub1979"}),
        ("distortion", {"ghosh2010"}),
        ("digitising_error", {"bailey1990", "fruciano2016"}),
        ("asymmetry", {"klingenberg1998"}),
        ("model_terms", {"freedman1983", "anderson2001", "collyer2015"}),
        ("group_criteria", {"morrison1976"}),
        ("pairwise_distances", {"holm1979", "chung2013"}),
        ("membership", {"ledoit2004"}),
        ("calibration_summary", {"clopper1934"}),
        ("measurement_ranking", {"hedges1981", "sokal1995", "weisberg2005"}),
        ("meshes", {"barequet1995"}),
        ("rarefaction", {"cochran1977"}),
    ],
)
def test_a_method_that_left_no_rows_is_not_cited(table, keys):
    element = small.element()
    before = used(element)
    assert keys <= before
    element.tables[table] = element.tables[table].iloc[:0]
    assert before - used(element) == keys


@pytest.mark.parametrize(
    ("tables", "key"),
    [
        (("group_criteria", "accuracy"), "mardia1979"),
        (("membership", "displacements"), "anderson2003"),
        (("membership", "measurement_ranking"), "berger1982"),
        (("displacements", "measurement_ranking"), "benjamini1995"),
        (("displacements", "measurement_ranking"), "benjamini2001"),
        (("estimated_points", "meshes"), "gunz2009"),
        (("model_terms", "slopes", "pairwise_distances"), "phipson2010"),
    ],
)
def test_a_source_of_several_methods_is_cited_while_one_of_them_was_used(tables, key):
    element = small.element()
    for table in tables:
        assert key in used(element)
        element.tables[table] = element.tables[table].iloc[:0]
    assert key not in used(element)


@pytest.mark.parametrize("table", ["displacements", "region_displacements"])
def test_ranks_are_cited_for_regions_where_no_query_was_placed(table):
    element = small.element()
    element.tables["membership"] = element.tables["membership"].iloc[:0]
    assert "vovk2005" in used(element)
    element.tables[table] = element.tables[table].iloc[:0]
    assert "vovk2005" not in used(element)


@pytest.mark.parametrize("table", ["displacements", "fits"])
def test_a_resistant_fit_is_cited_where_it_was_made(table):
    element = small.element()
    element.notes["screen"]["screened"] = 0
    assert "beaton1974" in used(element)
    element.tables[table] = element.tables[table].iloc[:0]
    assert "beaton1974" not in used(element)


@pytest.mark.parametrize(
    ("step", "key", "value", "source"),
    [
        ("superimpose", "symmetric", False, "mardia2000"),
        ("screen", "screened", 0, "kuhn1955"),
        ("grow", "slope_length", 0.0, "drake2008"),
        ("slide", "curves", [], "gunz2005"),
        ("slide", "method", "spline", "hoerl1970"),
    ],
)
def test_a_method_that_was_not_noted_is_not_cited(step, key, value, source):
    element = small.element()
    assert source in used(element)
    element.notes[step][key] = value
    assert source not in used(element)


def test_choices_bring_their_own_sources():
    element = small.element()
    element.tables["meshes"] = element.tables["meshes"].iloc[:0]
    plain = used(element)
    assert not {"horn1965", "buja1992", "frontier1976"} & plain
    element.tables["membership"] = element.tables["membership"].iloc[:0]
    bare = used(element)
    assert used(element, tests={"covariance": "shrunken"}) - bare == {"ledoit2004"}
    element = small.element()
    element.tables["meshes"] = element.tables["meshes"].iloc[:0]
    assert used(element, shape_space={"axes": "parallel"}) - plain == {"horn1965", "buja1992"}
    assert used(element, shape_space={"axes": "broken_stick"}) - plain == {"frontier1976"}
    other = {"semilandmarks": {"criterion": "procrustes"}}
    assert plain - used(element, preparation=other) == {"bookstein1989"}


def test_rows_that_show_no_use_of_a_method_do_not_bring_its_sources():
    element = small.element()
    element.notes["slide"]["curves"] = []
    element.notes["grow"]["slope_length"] = 0.0
    element.tables["estimated_points"] = element.tables["estimated_points"].iloc[:0]
    element.tables["rarefaction"]["mean_error"] = float("nan")
    meshes = element.tables["meshes"]
    assert {"klingenberg2016", "gunz2009", "barequet1995"} <= used(element)
    element.tables["measurement_ranking"]["size_heeded"] = False
    element.tables["meshes"] = meshes[meshes["template"] == ""].assign(holes_closed=0)
    found = used(element)
    assert not {"cochran1977", "klingenberg2016", "gunz2009", "barequet1995"} & found
    assert "bookstein1989" in found
    element.tables["meshes"] = meshes[meshes["template"] != ""]
    assert "gunz2009" in used(element)


def test_what_joins_elements_is_cited_where_it_was_done():
    element = small.element()
    for table in ("measurement_ranking", "displacements"):
        element.tables[table] = element.tables[table].iloc[:0]
    alone = used(element)
    assert used(element, {}) == alone
    joined = small.joined()
    ratios = {"mosimann1970", "sokal1995", "hedges1981"}
    assert used(element, joined) - alone == {"rueger1978"} | ratios
    joined["individuals"]["elements"] = 1
    joined["proportions"].loc[1, "second"] = "tail"
    assert used(element, joined) - alone == {"benjamini1995"} | ratios
    joined["proportions"] = joined["proportions"].iloc[:0]
    assert used(element, joined) == alone


def test_sources_of_a_text_are_those_that_it_cites():
    paragraphs = methods_paragraphs(small.settings(), [small.element()], {"formkin": "1"})
    keys = [source.key for source in sources((0, text) for text in paragraphs)]
    assert keys == sorted(set(keys))
    assert set(keys) == used(small.element())
    assert {"gower1975", "vovk2005", "berger1982"} <= set(keys)


# ---------------------------------------------------------------- states


def test_what_was_not_looked_up_is_said():
    """In the supplement by name, with what is lacking; what was looked up is not spoken of."""
    every = list(REFERENCES.values())
    assert {source.state for source in every} == {
        "looked up", "not looked up", "needs a library",
    }  # fmt: skip
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
