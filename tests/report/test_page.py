"""The page: names are text, nothing is fetched, everything that it points to is there."""

import base64
import re
import shutil
from hashlib import sha256
from html import escape
from html.parser import HTMLParser
from itertools import pairwise
from urllib.parse import unquote, urlsplit

import pandas as pd
import pytest

from helpers.invented import FIGURES as DRAWN
from helpers.told import words_of
from morpho import __version__
from morpho.report.page import _rows
from morpho.report.words.verdict import noticing_words
from morpho.report.words.writing import as_plain, said
from morpho.results.figures import FIGURES
from morpho.results.tables import TABLES
from morpho.steps.provenance import mark_start, record
from morpho.steps.show import report
from morpho.steps.show.supplement import FILES
from morpho.study.settings.config import read_config

pytestmark = pytest.mark.whole

# Shown only where a bone was made symmetric, and no study of these tests has one.
SHOWN = {name: FIGURES[name] for name in DRAWN if name != "distortion"}

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Reader(HTMLParser):
    """Reads a page as a browser does: elements, their attributes, and the text in them."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.text, self.unbalanced = [], [], "", []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()
        else:
            self.unbalanced.append(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.text += data

    def all(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def page(hostile):
    return Reader(hostile.html)


def test_the_markup_is_balanced(page):
    assert page.unbalanced == []
    assert page.open == []


def test_the_page_says_what_is_published(page, hostile):
    """Folded, in the section on what was done: columns of each table, and those kept back."""
    [place] = [about for about in page.all("details") if about.get("id") == "published"]
    assert "open" not in place
    told = " ".join(page.text.split())
    assert "Specimen table: specimen, taxon, role, side and stage; kept back: none." in told


def without_scripts(html):
    """The page without the viewer's own script and its data."""
    return re.sub(r"<script\b[^>]*>.*?</script>", "", html, flags=re.DOTALL)


def portraits(hostile):
    return hostile.results().table("portraits")["file"].tolist()


def test_the_page_is_the_same_in_another_folder(hostile, tmp_path, monkeypatch):
    """On another day, too; neither the folder's name nor the command is told."""
    there = tmp_path / "Verborgenes Loch"
    shutil.copytree(hostile.folder, there)
    monkeypatch.setattr("morpho.steps.provenance._now", lambda: "2031-01-01T00:00:00+00:00")
    mark_start(read_config(there))
    report.run(read_config(there))
    assert (there / "results/report.html").read_text(encoding="utf-8") == hostile.html


def test_hostile_names_bring_no_element(page, hostile):
    """No script but the viewer's, no handler, and no picture but the figures."""
    assert [script.get("type") for script in page.all("script")] == ["application/json", None]
    assert not any("src" in script for script in page.all("script"))
    for tag, attributes in page.elements:
        assert not any(name.startswith("on") for name in attributes), tag
    viewers = [one for one in page.all("section") if "data-viewer" in one]
    assert len(viewers) == 1
    assert len(page.all("img")) == len(SHOWN) + len(portraits(hostile)) + len(viewers)
    assert all(image["src"].startswith("data:image/svg+xml;base64,") for image in page.all("img"))


def test_hostile_names_are_read_as_they_are(page, hostile):
    """Title, notice, description, specimens, taxa, reasons."""
    for text in (hostile.study["title"], hostile.study["notice"], hostile.scheme["description"]):
        assert text in page.text
    for row in hostile.rows:
        if row["role"] == "query":
            assert row["specimen"] in page.text
    assert all(row["taxon"] in page.text for row in hostile.rows)


def test_templates_in_names_are_not_filled_in(page):
    """Words that look like a template's own stay words."""
    assert "The form is {{ 7*7 }}" in page.text


def test_raw_markup_of_a_name_is_nowhere(hostile):
    bare = without_scripts(hostile.html)
    for text in ("<img src=x", "</script>", "<script>", "<b>"):
        assert text not in bare
    data = re.search(
        r'<script type="application/json"[^>]*>(.*?)</script>', hostile.html, re.DOTALL
    )
    assert "<" not in data.group(1)
    assert escape("<img src=x onerror=alert(1)>", quote=False) in hostile.html


def test_the_check_names_a_file_as_text(invent_check):
    """A note of the check on a file whose name is markup."""
    page = Reader(invent_check)
    assert "<u>x</u>.csv says <s>this</s>" in page.text
    assert not page.all("u")
    assert not page.all("s")


@pytest.fixture
def invent_check(hostile):
    """The page with a hostile line in what the check noticed."""
    path = hostile.config.results / "check.csv"
    before = path.read_bytes()
    line = "note,<u>x</u>.csv,,bone,,,<u>x</u>.csv says <s>this</s>,Mind it.\n"
    path.write_text(before.decode() + line, encoding="utf-8")
    try:
        yield hostile.page()
    finally:
        path.write_bytes(before)


def test_nothing_may_be_fetched(page, hostile):
    """The policy forbids all but the page's own style and pictures, and one script by its sum."""
    policies = [
        meta["content"]
        for meta in page.all("meta")
        if meta.get("http-equiv") == "Content-Security-Policy"
    ]
    assert len(policies) == 1
    rules = dict(rule.split(None, 1) for rule in policies[0].split("; "))
    assert rules["default-src"] == "'none'"
    script = re.search(r"<script>(.*?)</script>", hostile.html, re.DOTALL).group(1)
    digest = base64.b64encode(sha256(script.encode()).digest()).decode()
    assert rules["script-src"] == f"'sha256-{digest}'"
    assert rules["img-src"] == "data: blob:"
    assert "@import" not in hostile.html
    assert "url(" not in without_scripts(hostile.html)
    assert page.all("link") == []


def test_links_stay_in_the_results_and_lead_somewhere(page, hostile):
    """Tables, figures, README: relative, and there; and every section linked to exists."""
    names = {attributes["id"] for _, attributes in page.elements if "id" in attributes}
    files = 0
    for link in page.all("a"):
        parts = urlsplit(link["href"])
        assert not parts.scheme
        assert not parts.netloc
        if parts.path:
            path = (hostile.config.results / unquote(parts.path)).resolve()
            assert path.is_relative_to(hostile.config.results)
            # what the last rules make is not there yet
            last = {f"supplement/{name}" for name in FILES} | {"archive.zip"}
            assert path.exists() or parts.path in last, link["href"]
            files += 1
        if parts.fragment:
            assert parts.fragment in names
    assert files > 30


def test_what_it_was_made_of_is_told_in_words(page, hostile):
    """The revision by its first digits, where there is one, and never as the program keeps it."""
    found = record(hostile.config)["git"]["formkin"]
    told = "Revision of formkin: "
    assert (told in page.text) == bool(found)
    if found:
        assert told + found["revision"][:12] in page.text
    assert "'revision'" not in page.text


def test_ids_are_told_apart(page):
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_every_picture_is_told_in_words(page):
    """An alternative text that says what is to be seen, with the element's name."""
    for image in page.all("img"):
        assert len(image["alt"]) > 30
        assert "bone" in image["alt"]


def test_every_figure_has_its_place_and_caption(hostile):
    """Once, with its title: in a section of the element, or with the data."""
    for name in DRAWN:
        assert hostile.html.count(f"<strong>{FIGURES[name].title}") == (name in SHOWN)


def test_pictures_are_the_files_beside_the_page(page, hostile):
    shown = {base64.b64decode(image["src"].split(",", 1)[1]) for image in page.all("img")}
    folder = hostile.results().folder / "figures"
    drawn = {folder / f"{name}.svg" for name in SHOWN}
    drawn |= {folder / "queries" / f"{name}.svg" for name in portraits(hostile)}
    assert shown == {path.read_bytes() for path in drawn}
    assert {path.stem for path in folder.glob("*.svg")} == set(DRAWN)


def test_headings_do_not_jump(page):
    """Read aloud, the page is an outline: one h1, and no level left out."""
    levels = [int(tag[1]) for tag, _ in page.elements if tag in ("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_verdicts_stand_as_the_table_has_them(page, hostile):
    """Every query's conclusion, and how it was tried, to the letter."""
    table = words_of(hostile.results())
    assert set(table["verdict"]) == {"inside", "outside", "undecided"}
    text = " ".join(page.text.split())
    for row in table.to_dict("records"):
        for part in (row["answer"], row["step"], row["reason"], row["tried"]):
            assert " ".join(part.split()) in text
        assert f"{row['specimen']} {row['verdict']} on the bone" in text
    read = {name: hostile.results().table(name) for name in ("noticing", "noticing_landmarks")}
    judged = (table["nearest_taxon"] != "").sum()
    assert text.count(as_plain(noticing_words(read))) == judged > 0


def test_a_verdict_taken_back_is_shown_as_undecided(hostile):
    """The card has what is concluded, not what the tests said before."""
    results = hostile.results()
    path = results.folder / "tables" / "conclusions.csv"
    before, table = path.read_bytes(), results.table("conclusions")
    place = table.index[table["verdict"] == "outside"][0]
    name = table.loc[place, "specimen"]
    table.loc[place, ["verdict", "tempered_by"]] = ["undecided", "unstable"]
    table.loc[place, "choice"] = "digitising error"
    results.write_table("conclusions", table)
    try:
        page = Reader(hostile.page())
    finally:
        path.write_bytes(before)
    text = " ".join(page.text.split())
    assert f"{name} undecided on the bone By its bone, {name} can be told neither" in text
    assert (
        "By itself the procedure says outside; but that turns too often with one kind of choice "
        "(digitising error), so nothing is concluded."
    ) in text
    assert "Next: digitise it again; the mean of several" in text
    assert f"{name} outside on the bone" not in text


def test_tables_of_all_elements_stand_with_the_verdicts(page):
    """Where they have rows: one element has no proportions."""
    links = {unquote(link["href"]) for link in page.all("a")}
    assert "all-elements/tables/individual_evidence.csv" in links
    assert "all-elements/tables/proportions.csv" not in links
    assert "Elements of one individual side by side" in page.text
    assert "Together." not in page.text


def test_every_table_with_a_title_stands_on_the_page(hostile):
    """Or one that names a section which the page does not have would be lost unseen."""
    text = Reader(hostile.html).text
    shown = [about for about in TABLES.values() if about.page]
    full = [about for about in shown if len(hostile.results().table(about.name))]
    assert len(full) > 10
    for about in full:
        assert about.page in text
        for column, head in about.headings("page").items():
            assert head.split(" {")[0] in text or column == "other_side", (about.name, head)


def test_what_was_not_compared_is_a_dash_and_no_no():
    told = pd.Series([True, False, None], dtype=object)
    table = _rows(pd.DataFrame({"outside_range": told}), {"outside_range": "outside the range"})
    assert table["body"] == (("yes",), ("no",), ("–",))


def test_the_caution_stands_with_the_verdicts(hostile):
    caution = as_plain(said("verdict", "caution"))
    assert hostile.html.index(caution) < hostile.html.index('id="data"')


def test_versions_and_settings_are_told(page):
    assert f"formkin {__version__}" in page.text
    assert "tests: permutations" in page.text
    assert "robustness: smallest_share" in page.text
