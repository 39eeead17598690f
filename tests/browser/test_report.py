"""The report in a real browser: read by eye, by ear and by keyboard, on a phone and on paper."""

from __future__ import annotations

import base64
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.slow

RULES = Path(__file__).with_name("rules.js").read_text(encoding="utf-8")
SCRIPT = f"window.rules = window.rules || {RULES.strip()}"
JAW = "document.querySelector('#viewer-lower_jaw')"
OPEN_ALL = "document.querySelectorAll('details').forEach(fold => { fold.open = true; })"
LOOKS = [(360, "light"), (360, "dark"), (1440, "light"), (1440, "dark")]
# Millimetres of paper between the margins, A4 upright and across, in pixels of the style sheet.
PAPER = {"upright": 672, "across": 1001}


def opened(browser, path, *, width=1440, height=900, scheme="light"):
    return browser.open(path, width=width, height=height, prefers_color_scheme=scheme)


def broken(page):
    """Rules that the page breaks, each with what breaks it."""
    page.settle()
    return page.run(
        f"({SCRIPT}, Object.fromEntries(Object.entries(window.rules)"
        ".map(([name, rule]) => [name, rule()]).filter(([, found]) => found.length)))"
    )


def bone_in_sight(page, element="lower_jaw"):
    """Scroll to a viewer and wait for its bone; gives where its stage is."""
    box = page.box(f"#viewer-{element} .viewer-stage")
    viewer = f"document.querySelector('#viewer-{element}').viewer"
    page.wait(f"{viewer} && {viewer}.stage && {viewer}.stage.frames > 0")
    page.settle()
    return box


def part(page, name):
    return page.run(f"{JAW}.querySelector('[data-part={name}]').textContent")


def changed(before, after):
    """Share of the pixels that differ."""
    return float((np.abs(before - after).max(axis=2) > 12).mean())


# ---- it stands alone


@pytest.mark.parametrize("width", [360, 1440])
def test_it_opens_cut_off_and_without_complaint(browser, report, width):
    page = opened(browser, report, width=width)
    assert page.run("navigator.onLine") is False
    for element in ("lower_jaw", "atlas"):
        bone_in_sight(page, element)
    page.run(OPEN_ALL)
    assert page.complaints() == []
    assert page.run("document.images.length") > 30
    page.wait("Array.from(document.images).every(image => image.complete)")
    assert page.run("Array.from(document.images).every(image => image.naturalWidth > 0)") is True
    assert report.stat().st_size < 15_000_000


def test_its_policy_lets_nothing_be_fetched(browser, report):
    """Whatever a page asks for is refused before it comes to the network, and told."""
    page = opened(browser, report)
    page.run(
        "window.refused = []; addEventListener('securitypolicyviolation', "
        "event => refused.push(event.effectiveDirective)); "
        "new Image().src = 'https://localhost/x.png'; "
        "fetch('https://localhost/x').catch(() => 0); 1"
    )
    page.wait("refused.length === 2")
    assert sorted(page.run("refused")) == ["connect-src", "img-src"]
    assert any("localhost" in text for text in page.complaints())  # as the test above would see


# ---- the bone


def test_the_slider_moves_the_bone(browser, report):
    page = opened(browser, report)
    before = page.picture(bone_in_sight(page))
    page.run(f"{JAW}.querySelector('[data-part=value]').focus({{preventScroll: true}})")
    page.press("End")
    box = page.box("#viewer-lower_jaw .viewer-stage")
    after = page.picture(box)
    assert changed(before, after) > 0.01
    assert "highest known specimen" in part(page, "shown_more")
    page.press("Home")
    assert changed(after, page.picture(box)) > 0.01


def test_hover_on_the_bone_names_a_landmark_with_its_definition(browser, report):
    page = opened(browser, report)
    box = page.box("#viewer-lower_jaw canvas")
    bone_in_sight(page)
    seen = page.run(
        f"(() => {{ const v = {JAW}.viewer, s = v.stage, p = v.data.points;"
        " return p.names.flatMap((name, i) => { const place = s.at(s.shown.points, i);"
        " return s.isShown(i) && !s.hidden(place)"
        " ? [{ name, text: p.definitions[i], ...s.onScreen(place) }] : []; }); })()"
    )
    assert len(seen) > 5
    told = {}
    for mark in seen:
        page.move(box["x"] + mark["x"], box["y"] + mark["y"])
        page.settle()
        told[mark["name"]] = part(page, "tag")
    assert told == {mark["name"]: mark["name"] + mark["text"] for mark in seen}
    assert all(len(mark["text"]) > 10 for mark in seen)


def test_hover_and_focus_in_shape_space_name_the_specimen_and_show_its_bone(browser, report):
    page = opened(browser, report)
    before = page.picture(bone_in_sight(page))
    box = page.box("#viewer-lower_jaw [data-part=scatter]")
    names = page.run(f"{JAW}.viewer.data.specimens.names")
    places = page.run(f"{JAW}.viewer.scatter.places")
    i = names.index("CAVE-01")
    page.move(box["x"] + places[i][0], box["y"] + places[i][1])
    page.settle()
    assert part(page, "shown") == "CAVE-01 (query)"
    page.wait(f"!{JAW}.viewer.stage.morph")
    stage = page.box("#viewer-lower_jaw .viewer-stage")
    assert changed(before, page.picture(stage)) > 0.01
    page.move(2, 2)
    page.run(f"{JAW}.querySelector('[data-part=upward]').focus()")
    page.press("Tab")
    label = page.run("document.activeElement.getAttribute('aria-label')")
    assert any(label.startswith(f"{name}, ") for name in names)
    assert part(page, "shown").split(" (")[0] == label.split(", ")[0]


# ---- by eye


@pytest.mark.parametrize(("width", "scheme"), LOOKS)
def test_it_keeps_the_rules(browser, report, width, scheme):
    """Names, outline, landmarks, contrast, width: with everything that folds open."""
    page = opened(browser, report, width=width, scheme=scheme)
    for element in ("lower_jaw", "atlas"):
        bone_in_sight(page, element)
    page.run(OPEN_ALL)
    assert broken(page) == {}


def test_it_fits_other_windows_too(browser, report):
    page = opened(browser, report)
    page.run(OPEN_ALL)
    for width in (320, 600, 1000, 1248, 2000):
        page.resize(width, 800)
        assert not broken(page).get("nothing sticks out sideways"), width


# What breaks a rule, and the rule.
BAD = [
    ("<p style='color: #888'>grey on white</p>", "text stands out from its ground"),
    ("<p style='opacity: .5'>faint</p>", "text stands out from its ground"),
    ("<img src='data:,' alt=''>", "every picture has words"),
    ("<h1>One</h1><h3>Three</h3>", "headings make an outline"),
    ("<p id='a'></p><p id='a'></p>", "no id stands twice"),
    ("<a href='#gone'>there</a>", "what is referred to is there"),
    ("<table><thead><tr><th>a</th></tr></thead></table>", "tables tell what they hold"),
    ("<a href='x'></a>", "links and controls have names"),
    ("<select></select>", "links and controls have names"),
    ("<details>no name</details>", "what folds has a name"),
    ("<b tabindex='2'>first</b>", "nothing jumps the order of the keyboard"),
    ("<button style='height: 9px'>x</button>", "what is to be touched is large enough"),
    ("<p style='width: 3000px'>wide</p>", "nothing sticks out sideways"),
    ("<p>beside main</p>", "landmarks hold all words"),
    (
        "<img src='data:,a' alt='Twenty words and more'><img src='data:,b' "
        "alt='Twenty words and more'>",
        "pictures that differ have words that differ",
    ),
]


def test_the_rules_find_what_breaks_them(browser, tmp_path):
    path = tmp_path / "bad.html"
    path.write_text("<!doctype html><html><body></body></html>", encoding="utf-8")
    page = opened(browser, path)
    assert "the page tells its language and title" in broken(page)
    rules = set()
    for markup, rule in BAD:
        page.run(f"document.body.innerHTML = {json.dumps(markup)}; 1")
        assert rule in broken(page), markup
        rules.add(rule)
    assert len(rules) == page.run("Object.keys(window.rules).length") - 1


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1440, "light")])
def test_a_checker_of_accessibility_finds_nothing_serious(browser, report, width, scheme):
    """axe-core, whose file FORMKIN_AXE names; rules of WCAG and of good practice."""
    checker = os.environ.get("FORMKIN_AXE")
    if not checker:
        pytest.skip("FORMKIN_AXE names no axe.min.js (tests/browser/get_axe.sh fetches one)")
    page = opened(browser, report, width=width, scheme=scheme)
    for element in ("lower_jaw", "atlas"):
        bone_in_sight(page, element)
    page.run(OPEN_ALL)
    page.run(Path(checker).read_text(encoding="utf-8") + "; 1")
    done = page.run(
        "axe.run(document, { resultTypes: ['violations'] }).then(({ violations, passes }) => ({"
        " passed: passes.length, found: violations.map(({ id, impact, help, nodes }) => "
        "[impact, id, help, nodes.length, nodes.slice(0, 3).map(node => node.html.slice(0, 200))])"
        " }))"
    )
    assert done["passed"] > 25
    assert [entry for entry in done["found"] if entry[0] in ("serious", "critical")] == []


# ---- by keyboard


TABBED = (
    "Array.from(document.querySelectorAll('a[href], button, select, input, summary, "
    '[tabindex="0"]\')).filter(e => !e.disabled && '
    "e.checkVisibility({visibilityProperty: true}) && !e.closest('.skip'))"
)
# Something of the focus can be seen: an outline, or the rim of a mark in a drawing.
IN_FOCUS = (
    "(() => { const e = document.activeElement, s = getComputedStyle(e); "
    "const b = e.getBoundingClientRect(); const mark = e.querySelector('path'); "
    "return { place: window.stops.indexOf(e), seen: b.width > 1 && b.bottom > 0 && "
    "b.top < innerHeight && (s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 1 || "
    "e.matches('.viewer-point') && parseFloat(getComputedStyle(mark).strokeWidth) > 2), "
    "what: e.outerHTML.slice(0, 120) }; })()"
)


@pytest.mark.parametrize("width", [360, pytest.param(1440, marks=pytest.mark.long)])
def test_every_control_is_reached_in_order_and_is_seen_to_be(browser, report, width):
    page = opened(browser, report, width=width)
    for element in ("lower_jaw", "atlas"):
        bone_in_sight(page, element)
    page.run("scrollTo(0, 0)")
    page.press("Tab")
    assert page.run("document.activeElement.className") == "skip"
    assert page.run("document.activeElement.getBoundingClientRect().width") > 50
    count = page.run(f"(window.stops = {TABBED}).length")
    assert count > 80
    kinds = page.run("Array.from(new Set(stops.map(e => e.tagName))).sort()")
    assert kinds[0] == "A"
    assert {"BUTTON", "CANVAS", "INPUT", "SELECT", "SUMMARY", "g"} <= set(kinds)
    for place in range(count):
        page.press("Tab")
        now = page.run(IN_FOCUS)
        assert (now["place"], now["seen"]) == (place, True), now


def test_the_first_key_leads_to_the_verdicts(browser, report):
    page = opened(browser, report, width=360)
    page.press("Tab")
    page.press("Enter")
    page.wait("location.hash === '#verdicts'")
    page.settle()
    page.press("Tab")
    page.wait("document.activeElement.closest('section')?.id === 'verdicts'")
    assert page.run("document.activeElement.textContent") == "BROKEN-01"
    page.press("Enter")
    page.wait("location.hash !== '#verdicts'")
    top = "document.querySelector(location.hash).getBoundingClientRect().top"
    page.wait(f"{top} >= 0 && {top} < innerHeight / 2")


def test_folds_open_by_key(browser, report):
    page = opened(browser, report)
    fold = "document.querySelector('#element-lower_jaw details:has(> .wide)')"
    page.focus("#element-lower_jaw details:has(> .wide) summary")
    assert page.run(f"{fold}.querySelector('table').checkVisibility()") is False
    page.press("Enter")
    page.wait(f"{fold}.querySelector('table').checkVisibility()")


def test_what_is_wider_than_a_phone_scrolls_by_key(browser, report):
    page = opened(browser, report, width=360)
    selector = "#element-lower_jaw .picture"
    figure = f"document.querySelector('{selector}')"
    page.wait("Array.from(document.images).every(image => image.complete)")
    page.wait(f"{figure}.matches('.scrolls[tabindex=\"0\"]')")
    assert page.run(f"{figure}.querySelector('img').offsetWidth") > 550
    page.focus(selector)
    assert page.run(f"{figure}.scrollLeft") == 0
    for _ in range(3):
        page.press("ArrowRight")
    page.wait(f"{figure}.scrollLeft > 20")
    page.resize(1440, 900)
    page.wait(f"!{figure}.matches('.scrolls, [tabindex]')")


# ---- the verdicts come first


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1440, 900)])
def test_every_verdict_is_on_the_first_screen(browser, report, width, height):
    page = opened(browser, report, width=width, height=height)
    seen = page.run(
        "Array.from(document.querySelectorAll('.glance tbody tr')).map(row => "
        "[Array.from(row.cells).map(cell => cell.innerText), row.getBoundingClientRect().bottom])"
    )
    assert dict((row[0], row[1:]) for row, _ in seen) == {
        "BROKEN-01": ["–", "UNDECIDED"],
        "CAVE-01": ["OUTSIDE", "OUTSIDE"],
        "SMALL-01": ["INSIDE", "–"],
    }
    assert all(bottom < height for _, bottom in seen)


def test_the_contents_lead_everywhere(browser, report):
    """Beside the text on a wide screen, within each element on a phone; never both."""
    page = opened(browser, report)
    links = (
        "Array.from(document.querySelectorAll('nav a, .contents a'))"
        ".filter(a => a.checkVisibility()).map(a => a.hash)"
    )
    wide = page.run(links)
    assert len(wide) == len(set(wide)) == 5 + 2 * 7
    page.run("scrollTo(0, 9000)")
    assert page.run("document.querySelector('nav').getBoundingClientRect().top") == 0
    page.resize(360, 740)
    assert sorted(page.run(links)) == sorted(wide)


# ---- on paper


def pages_of(page):
    printed = page.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF-")
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_what_folds_is_printed_open(browser, report):
    """As many pages as with everything opened by hand, and more than without."""
    page = opened(browser, report)
    printed = pages_of(page)
    assert printed > 3
    page.run(OPEN_ALL)
    assert pages_of(page) == printed
    page = opened(browser, report)
    page.run(
        "document.head.append(Object.assign(document.createElement('style'), {textContent: "
        "'@media print { details:not([open])::details-content { content-visibility: hidden "
        "!important } }'}))"
    )
    assert pages_of(page) < printed - 5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_shows_all_words_and_nothing_that_needs_a_pointer(browser, report, scheme):
    page = opened(browser, report, scheme=scheme)
    page.media(media="print", prefers_color_scheme=scheme)
    hidden = "nav, .contents, .up, .skip, .viewer-live"
    assert page.run(
        f"Array.from(document.querySelectorAll('{hidden}')).some(e => e.checkVisibility())"
    ) is False  # fmt: skip
    lost = page.run(
        "Array.from(document.querySelectorAll('main :is(p, li, td, figcaption, summary, h2, img)'))"
        ".filter(e => !e.closest('.bone, .contents, .up') && !e.matches('.up') && "
        "!(e.checkVisibility() && e.offsetHeight)).map(e => e.outerHTML.slice(0, 90))"
    )
    assert lost == []
    # dark ink on white, whatever the reader's screen
    assert page.run("getComputedStyle(document.body).color") == "rgb(34, 38, 43)"
    assert page.run("getComputedStyle(document.body).backgroundColor") == "rgba(0, 0, 0, 0)"


@pytest.mark.parametrize(("way", "which"), [("upright", ":not(.long)"), ("across", ".long")])
def test_no_table_is_wider_than_the_paper(browser, report, way, which):
    page = opened(browser, report, width=PAPER[way])
    page.media(media="print")
    widths = page.run(
        f"Array.from(document.querySelectorAll('.wide{which} table')).map(t => t.offsetWidth)"
    )
    assert widths
    assert max(widths) <= PAPER[way]
    tall = page.run("Math.max(...Array.from(document.images).map(image => image.offsetHeight))")
    assert tall < 960  # millimetres of A4 between the margins, in pixels


# ---- without scripts, and with names that would do harm


def test_without_scripts_all_but_the_moving_bone_is_there(browser, report):
    page = opened(browser, report)
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    page.reload()
    assert page.run(f"Boolean({JAW}.viewer)") is False
    assert page.run(f"{JAW}.querySelector('.viewer-still img').checkVisibility()") is True
    assert page.run("document.querySelector('noscript').innerText.length") > 20
    page.run(OPEN_ALL)
    assert page.run(
        "Array.from(document.querySelectorAll('main :is(table, figcaption, h3)'))"
        ".every(e => e.checkVisibility() || e.closest('[hidden], .contents') "
        "|| e.matches('[hidden]'))"
    )


def test_names_that_would_do_harm_are_words(browser, hostile_report):
    """Specimens, taxa, a landmark and the title: as text in page and viewer, and no more."""
    page = opened(browser, hostile_report)
    bone_in_sight(page)
    page.run(OPEN_ALL)
    specimens = page.run(f"{JAW}.viewer.data.specimens.names")
    for name in ("<img src=x onerror=alert(1)>", "=cmd()", "</script><script>alert(2)</script>"):
        page.run(f"{JAW}.viewer.keep({specimens.index(name)})")
        page.settle()
        assert part(page, "shown").startswith(f"{name} (")
    landmark = "<svg onload=alert(4)>"
    marks = page.run(f"{JAW}.viewer.data.points.names")
    page.run(f"{JAW}.viewer.chooseLandmark({marks.index(landmark)})")
    page.settle()
    assert part(page, "tag").startswith(landmark)
    text = page.run("document.body.innerText")
    for name in ("<img src=x onerror=alert(1)>", "=cmd()", "{{7*7}}", "\"'&<b>${alert(3)}"):
        assert text.count(name) > 5, name
    assert "49" not in page.run("document.querySelector('h1').textContent")
    assert page.run("document.title") == "The find <img src=x onerror=alert(5)> {{7*7}}"
    assert page.run("document.querySelectorAll('b, [onerror], [onload], img[src=x]').length") == 0
    assert page.run("Array.from(document.images).every(i => i.src.startsWith('data:'))") is True
    dialogs = [e for e in browser.events(page.session) if "Dialog" in e["method"]]
    assert dialogs == []
    assert page.complaints() == []
    assert not {"nothing sticks out sideways", "no id stands twice"} & set(broken(page))


def test_a_harmful_name_could_be_seen_to_do_harm(browser, tmp_path):
    """The checks above see a dialog and a complaint where there is one."""
    path = tmp_path / "bad.html"
    path.write_text("<!doctype html><img src=x onerror='console.error(7)'>", encoding="utf-8")
    page = opened(browser, path)
    assert any("7" in text for text in page.complaints())
    page.call("Runtime.evaluate", expression="setTimeout(() => alert(1), 0); 1")
    browser.wait_for(page.session, "Page.javascriptDialogOpening")
    page.call("Page.handleJavaScriptDialog", accept=True)
