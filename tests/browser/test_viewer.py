"""The 3D part of the report in a real browser: it moves, tells, stays within its bounds, rests."""

from __future__ import annotations

import json

import numpy as np
import pytest

from morpho.shape.thin_plate import ThinPlateSpline
from morpho.viewer.payload import viewer_payload

pytestmark = pytest.mark.whole

EGG = "document.querySelector('#egg').viewer"


def part(page, name):
    """Text of a part of the viewer."""
    return page.run(f"document.querySelector('#egg [data-part={name}]').textContent")


def opened(browser, path, **how):
    """A page whose bone has been drawn."""
    page = browser.open(path, **how)
    page.wait(f"{EGG} && {EGG}.stage && {EGG}.stage.frames > 0")
    return page


@pytest.fixture
def page(browser, pages):
    return opened(browser, pages["egg"])


def stage(page):
    return page.picture(page.box("#egg .viewer-stage"))


def changed(before, after):
    """Share of the pixels that differ."""
    return float((np.abs(before - after).max(axis=2) > 12).mean())


def focus(page, selector):
    page.box(selector)
    page.focus(selector)


def place_of(page, i):
    """Where a landmark is in the window."""
    box = page.box("#egg canvas")
    seen = page.run(
        f"(() => {{ const s = {EGG}.stage; return s.onScreen(s.at(s.shown.points, {i})); }})()"
    )
    return box["x"] + seen["x"], box["y"] + seen["y"]


@pytest.mark.parametrize("name", ["egg", "points", "two", "hostile"])
def test_the_page_works_cut_off_and_without_complaint(browser, pages, name):
    page = opened(browser, pages[name])
    assert page.complaints() == []
    assert page.run("navigator.onLine") is False
    # something is drawn: the bone is not of the colour of its ground
    picture = stage(page)
    assert changed(picture, np.broadcast_to(picture[8, 8], picture.shape)) > 0.004


def test_the_slider_moves_the_bone_by_keyboard(page):
    before = stage(page)
    focus(page, "#egg [data-part=value]")
    for _ in range(60):
        page.press("ArrowRight")
    after = stage(page)
    assert changed(before, after) > 0.005
    value = page.run(f"{EGG}.warps[0].value")
    assert value == pytest.approx(60 * 0.4 / 400)
    assert part(page, "reading") == "0.06"
    for _ in range(60):
        page.press("ArrowLeft")
    assert changed(before, stage(page)) < 1e-3


def vertices_shown(page):
    page.wait(f"!{EGG}.stage.morph")
    page.settle()
    flat = page.run(f"Array.from({EGG}.stage.geometry.attributes.position.array)")
    return np.reshape(flat, (-1, 3))


def test_the_bone_is_the_thin_plate_spline_of_its_landmarks(page, bone):
    """What the browser draws against the spline computed here: on the slider and for a specimen."""
    mean, surface = np.asarray(bone.points.positions), np.asarray(bone.surface.vertices)
    page.run(f"{EGG}.setValue(0.15, false)")
    shape = mean + 0.15 * bone.warps[0].direction
    expected = ThinPlateSpline().fit(mean, shape).transform(surface)
    np.testing.assert_allclose(vertices_shown(page), expected, atol=1e-5)
    page.run(f"{EGG}.keep(3)")
    expected = ThinPlateSpline().fit(mean, bone.specimens.configurations[3]).transform(surface)
    np.testing.assert_allclose(vertices_shown(page), expected, atol=1e-5)


def test_hovering_names_a_landmark_and_says_what_it_is(page):
    page.move(*place_of(page, 0))
    page.settle()
    assert part(page, "tag") == "frontWhere the front end of the egg lies"
    page.move(*place_of(page, 2))  # in the middle, with 'inner' behind it
    page.settle()
    assert part(page, "tag").startswith("outerWhere")
    page.move(2, 2)
    page.settle()
    assert page.run("document.querySelector('#egg [data-part=tag]').hidden") is True


def test_a_landmark_behind_the_bone_is_said_to_be_behind(page):
    page.run(f"{EGG}.chooseLandmark(5)")
    page.settle()
    assert part(page, "tag").startswith("inner (on the side turned away)")


def test_the_list_of_landmarks_points_one_out_by_keyboard(page):
    before = stage(page)
    focus(page, "#egg [data-part=landmark]")
    page.press("ArrowDown")
    page.press("ArrowDown")
    page.settle()
    assert part(page, "tag").startswith("top")
    assert part(page, "definition").startswith("Where the top end of the egg lies.")
    assert part(page, "said").startswith("top. Where the top end")
    assert changed(before, stage(page)) > 0.001


def test_the_distance_told_is_the_distance_moved(page):
    """Landmark 'top' moves by the slider's value; one unit is 40 mm, on the query's way 30."""
    page.run(f"{EGG}.chooseLandmark(1); {EGG}.setValue(0.1, false)")
    assert "Here 4 mm from where it lies in the mean (at the mean size)" in part(page, "definition")
    page.run(f"{EGG}.setWarp(1); {EGG}.setValue(1, false)")
    by = page.run(f"Array.from({EGG}.warps[1].direction.slice(3, 6))")
    told = float(part(page, "definition").split("Here ")[1].split(" mm")[0])
    assert told == pytest.approx(30 * np.linalg.norm(by), abs=0.006)
    assert "(at its size)" in part(page, "definition")


def test_the_bar_is_as_long_as_it_says(page):
    """By the places of two landmarks that are one unit, which is 40 mm, apart."""
    (x1, _), (x2, _) = place_of(page, 0), place_of(page, 3)
    width = page.box("#egg [data-part=scale] i")["width"]
    mm = float(part(page, "scale").split()[0])
    assert mm / width == pytest.approx(40 / (x1 - x2), rel=0.02)


def test_keys_turn_zoom_and_reset_the_bone(page):
    focus(page, "#egg canvas")
    first = seen = stage(page)
    for key in ("ArrowLeft", "ArrowUp", "+"):
        page.press(key)
        now = stage(page)
        assert changed(seen, now) > 0.002, key
        seen = now
    page.press("0")
    assert changed(first, stage(page)) < 1e-3


def test_buttons_and_the_list_of_sides_turn_it_too(page):
    first = stage(page)
    box = page.box("#egg [data-turn=left]")
    page.click(box["x"] + 5, box["y"] + 5)
    assert changed(first, stage(page)) > 0.002
    focus(page, "#egg [data-part=from]")
    assert page.run("document.activeElement.selectedOptions[0].textContent") == "turned by hand"
    page.run("document.activeElement.value = '0+'; "
             "document.activeElement.dispatchEvent(new Event('change'))")  # fmt: skip
    page.settle()
    # along the axis of front and back the two lie at one place, and front is nearer
    seen = [page.run(f"{EGG}.stage.onScreen({EGG}.stage.at({EGG}.points, {i}))") for i in (0, 3)]
    assert seen[0]["x"] == pytest.approx(seen[1]["x"], abs=0.5)
    assert seen[0]["y"] == pytest.approx(seen[1]["y"], abs=0.5)
    assert seen[0]["depth"] < seen[1]["depth"]


def test_dragging_turns_and_the_wheel_zooms_only_after_a_click(page):
    first = stage(page)
    box = page.box("#egg canvas")
    x, y = box["x"] + 30, box["y"] + 30
    wheel = {"type": "mouseWheel", "x": x, "y": y, "deltaX": 0, "deltaY": -120}
    zoom = page.run(f"{EGG}.stage.camera.zoom")
    page.call("Input.dispatchMouseEvent", **wheel)
    page.settle()
    assert page.run(f"{EGG}.stage.camera.zoom") == zoom
    page.box("#egg canvas")
    page.drag([(x, y), (x + 40, y), (x + 80, y + 10)])
    assert changed(first, stage(page)) > 0.01
    page.call("Input.dispatchMouseEvent", **wheel)
    page.settle()
    assert page.run(f"{EGG}.stage.camera.zoom") > zoom


def test_walking_through_the_specimens_shows_their_bones(page):
    """By keyboard alone: into the drawing, along it, keep one, let it go."""
    before = stage(page)
    focus(page, "#egg [data-part=upward]")
    page.press("Tab")
    assert "viewer-point" in page.run("document.activeElement.getAttribute('class')")
    label = page.run("document.activeElement.getAttribute('aria-label')")
    assert label.startswith("K-0, north kin; Axis 1: ")
    assert part(page, "shown") == "K-0 (north kin)"
    page.press("End")  # the query lies farthest along axis 1
    assert part(page, "shown") == "Q-1 (query)"
    page.wait(f"!{EGG}.stage.morph")
    assert changed(before, stage(page)) > 0.005
    page.press("Enter")
    assert page.run("document.activeElement.getAttribute('aria-pressed')") == "true"
    assert part(page, "said").startswith("Q-1 (query)")
    page.press("Tab")  # kept while the reader is elsewhere
    assert part(page, "shown") == "Q-1 (query)"
    focus(page, "#egg canvas")
    page.press("Escape")
    assert part(page, "shown") == "Axis 1"


def test_every_specimen_is_reached_by_arrow_keys(page):
    focus(page, "#egg [data-part=upward]")
    page.press("Tab")
    page.press("Home")
    seen = [part(page, "shown")]
    for _ in range(8):
        page.press("ArrowRight")
        seen.append(part(page, "shown"))
    assert len(set(seen)) == 9


def test_hovering_a_mark_shows_its_bone_and_leaving_brings_the_slider_back(page):
    box = page.box("#egg [data-part=scatter]")
    x, y = page.run(f"{EGG}.scatter.places[8]")
    page.move(box["x"] + x, box["y"] + y)
    page.settle()
    assert part(page, "shown") == "Q-1 (query)"
    page.move(2, 2)
    page.settle()
    assert part(page, "shown") == "Axis 1"


def test_the_marks_lie_where_the_scores_say(page, bone):
    """Distances on the screen are the scores' distances times one number, in both axes."""
    places = np.array(page.run(f"{EGG}.scatter.places"))
    scores = bone.specimens.scores[:, :2] * [1, -1]
    a = places - places.mean(axis=0)
    b = scores - scores.mean(axis=0)
    np.testing.assert_allclose(a, b * (np.ptp(a[:, 0]) / np.ptp(b[:, 0])), atol=0.02)


def test_heat_is_told_in_millimetres_and_can_be_hidden(page):
    plain = stage(page)
    page.run(f"{EGG}.parts.warp.value = 1; {EGG}.parts.warp.dispatchEvent(new Event('change'))")
    assert part(page, "heat_label").startswith("Above")
    assert (part(page, "heat_low"), part(page, "heat_high")) == ("−1 mm", "1 mm")
    assert part(page, "heat_within").startswith(" within members' variation")
    hot = stage(page)
    assert changed(plain, hot) > 0.05
    # the hatching is drawn: without it other colours stand in its place
    page.run(f"{EGG}.stage.geometry.attributes.within.array.fill(0)")
    page.run(f"{EGG}.stage.geometry.attributes.within.needsUpdate = true; {EGG}.stage.redraw()")
    assert changed(hot, stage(page)) > 0.02
    page.run("document.querySelector('#egg [name=heat]').click()")
    cold = stage(page)
    assert changed(hot, cold) > 0.05
    assert page.run("document.querySelector('#egg [data-part=heat]').hidden") is True
    page.run("document.querySelector('#egg [name=arrows]').click()")
    assert changed(cold, stage(page)) > 1e-4


def test_logarithms_are_read_off_as_what_they_are_of(page):
    page.run(f"{EGG}.setWarp(2); {EGG}.setValue(4, false)")
    assert part(page, "reading") == "54.6 mm"
    assert page.run(f"{EGG}.stage.shown.mm") == pytest.approx(np.exp(4))


def test_hostile_names_come_out_as_text(browser, pages):
    page = opened(browser, pages["hostile"])
    page.run(f"{EGG}.chooseLandmark(0)")
    page.settle()
    evil = "<img src=x onerror=alert(1)>"
    assert part(page, "tag") == 2 * evil
    for i in range(9):
        page.run(f"{EGG}.keep({i})")
        assert part(page, "shown").startswith(page.run(f"{EGG}.data.specimens.names[{i}]"))
    assert evil in part(page, "legend")
    assert page.run("document.images.length") == 1
    assert page.run("document.querySelectorAll('b, script:not([type])').length") == 1  # our own
    dialogs = [e for e in page.browser.events(page.session) if "Dialog" in e["method"]]
    assert dialogs == []
    assert page.complaints() == []


@pytest.mark.parametrize("width", [320, 360, 700, 1440])
@pytest.mark.parametrize("name", ["egg", "hostile"])
def test_nothing_sticks_out(browser, pages, name, width):
    page = opened(browser, pages[name], width=width, height=740)
    page.run(f"{EGG}.setWarp(1); {EGG}.chooseLandmark(0); {EGG}.keep(8)")
    page.settle()
    assert page.run("document.documentElement.scrollWidth") <= width
    out = page.run(
        "Array.from(document.querySelectorAll('#egg *')).filter(e => { const b = "
        "e.getBoundingClientRect(); return b.width && !e.closest('.viewer-hidden') && "
        "!e.closest('[data-part=compass], svg svg') && "
        f"(b.right > {width} + 0.5 || b.left < -0.5); }})"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert out == []


def test_the_bone_stays_in_sight_on_a_phone(browser, pages):
    page = opened(browser, pages["egg"], width=360, height=740)
    page.box("#egg [data-part=legend]")
    top, bottom = page.run(
        "(b => [b.top, b.bottom])(document.querySelector('#egg .viewer-stage')"
        ".getBoundingClientRect())"
    )
    assert 0 <= top < bottom <= 740


def test_without_webgl_a_still_picture_stands_in(browser_without_3d, pages):
    page = browser_without_3d.open(pages["egg"])
    page.wait(f"{EGG} && document.querySelector('#egg.is-still')")
    assert page.complaints() == []
    image = "document.querySelector('#egg .viewer-still img')"
    assert page.run(f"{image}.checkVisibility()") is True
    assert page.run(f"{image}.alt") == "Still picture of egg"
    assert "WebGL" in part(page, "failure")
    assert part(page, "shown") == "Mean bone"
    assert page.run("document.querySelector('#egg canvas').checkVisibility()") is False
    page.run(f"{EGG}.chooseLandmark(1)")
    assert part(page, "definition").startswith("Where the top end")
    page.run(f"{EGG}.keep(8)")
    assert part(page, "shown") == "Q-1 (query)"
    assert page.complaints() == []


def test_a_drawing_that_is_taken_away_and_given_back(page):
    """As happens when a graphics driver starts anew."""
    before = stage(page)
    page.run(f"{EGG}.lose = {EGG}.stage.renderer.getContext().getExtension('WEBGL_lose_context'); "
             f"{EGG}.lose.loseContext()")  # fmt: skip
    page.wait("document.querySelector('#egg.is-still')")
    assert page.run("document.querySelector('#egg .viewer-still img').checkVisibility()") is True
    assert "given up" in part(page, "failure")
    # it is given back when the browser has done with taking it away
    page.wait(f"({EGG}.lose.restoreContext(), !document.querySelector('#egg.is-still'))")
    assert changed(before, stage(page)) < 1e-3


def test_without_scripts_and_in_print_a_still_picture_stands_in(browser, pages):
    page = opened(browser, pages["egg"])
    visible = (
        "['.viewer-still img', '.viewer-live'].map(s => "
        "document.querySelector('#egg ' + s).checkVisibility())"
    )
    assert page.run(visible) == [False, True]
    page.media(media="print")
    assert page.run(visible) == [True, False]
    page.media(media="")
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    page.reload()
    assert page.run(visible) == [True, False]


def test_a_bone_at_rest_draws_nothing(page):
    """The browser shows 30 frames, and the bone draws none; one change, a frame or two."""
    page.settle()
    frames = page.run(f"{EGG}.stage.frames")
    page.settle(30)
    assert page.run(f"{EGG}.stage.frames") == frames
    page.run(f"{EGG}.setValue(0.1, false)")
    page.settle()
    assert 1 <= page.run(f"{EGG}.stage.frames") - frames <= 2
    page.run(f"{EGG}.setValue(-0.2, true)")  # moves over, then rests
    page.wait(f"!{EGG}.stage.morph")
    page.settle()
    frames = page.run(f"{EGG}.stage.frames")
    page.settle(30)
    assert page.run(f"{EGG}.stage.frames") == frames


def test_a_bone_swings_until_it_is_stopped(page):
    page.run("document.querySelector('#egg .viewer-play').click()")
    first = page.run(f"{EGG}.warps[0].value")
    page.wait(f"{EGG}.warps[0].value !== {first}")
    page.run("document.querySelector('#egg .viewer-play').click()")
    page.settle()
    rest = page.run(f"{EGG}.warps[0].value")
    page.settle(12)
    assert page.run(f"{EGG}.warps[0].value") == rest


def test_less_motion_is_heeded(browser, pages):
    """Shapes change at once, and nothing offers to swing."""
    page = opened(browser, pages["egg"], prefers_reduced_motion="reduce")
    page.run(f"{EGG}.keep(8)")
    assert page.run(f"{EGG}.stage.morph") is None
    assert page.run("document.querySelector('#egg .viewer-play').checkVisibility()") is False
    page = opened(browser, pages["egg"], prefers_reduced_motion="no-preference")
    # in one go, as a busy machine may take longer to ask than the bone to move over
    assert page.run(f"({EGG}.keep(8), Boolean({EGG}.stage.morph))") is True


def test_a_bone_is_built_when_it_comes_into_view(browser, pages):
    page = opened(browser, pages["two"])
    second = "document.querySelector('#second').viewer"
    assert page.run(f"{second}.stage") is None
    page.box("#second .viewer-stage")
    page.wait(f"{second}.stage && {second}.stage.frames > 0")
    # and each has its own slider
    page.run(f"{second}.setValue(0.2, false)")
    assert page.run(f"{EGG}.warps[0].value") == 0


def test_light_and_dark_follow_the_reader(browser, pages):
    page = opened(browser, pages["egg"], prefers_color_scheme="light")
    light = stage(page)[8, 8].mean()
    page.media(prefers_color_scheme="dark")
    page.settle()
    assert stage(page)[8, 8].mean() < 90 < 200 < light
    line = page.run(f"{EGG}.stage.colours.line")
    page.media(prefers_color_scheme="light")
    page.settle()
    assert page.run(f"{EGG}.stage.colours.line") != line


def test_a_bone_without_surface_is_drawn_by_its_links(browser, pages):
    page = opened(browser, pages["points"])
    first = stage(page)
    page.run(f"{EGG}.setValue(0.2, false)")
    assert changed(first, stage(page)) > 0.002
    page.run(f"{EGG}.keep(0)")
    assert part(page, "shown_more").startswith("its landmarks")


def test_the_page_is_light(pages, bone):
    """The scripts once, and a viewer of 1280 faces and nine specimens in less than 60 kB."""
    one, two = (pages[name].stat().st_size for name in ("egg", "two"))
    assert one < 750_000
    assert two - one < 80_000
    assert len(json.dumps(viewer_payload(bone))) < 60_000
