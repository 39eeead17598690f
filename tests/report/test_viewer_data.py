"""The block of data and the markup of the 3D part: what goes in comes out, and nothing else."""

import base64
import json
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from matplotlib.colors import to_hex

from morpho.drawing.bone.heat import BONE, HEAT
from morpho.drawing.style import QUERY, taxon_marks
from morpho.shape.thin_plate import ThinPlateSpline
from morpho.viewer.markup import viewer_scripts, viewer_section, viewer_style
from morpho.viewer.payload import viewer_payload
from morpho.viewer.scene import (
    Heat,
    Points,
    Specimens,
    Surface,
    ViewerData,
    ViewerDataError,
    Warp,
    embedded_json,
    packed,
)

HOSTILE = [
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "\"'&<b>\u2028\u2029",
    "{{ 7*7 }}<!--<script>",
]
K, N = 7, 6


def unpacked(entry):
    """The array that was packed as text."""
    kind = np.dtype(entry["type"]).newbyteorder("<")
    return np.frombuffer(base64.b64decode(entry["base64"]), kind).reshape(entry["shape"])


@pytest.fixture
def data():
    """A bone of seven points and a surface of thirty vertices, with two ways and six specimens."""
    rng = np.random.default_rng(4)
    positions = rng.normal(size=(K, 3))
    vertices, faces = rng.normal(size=(30, 3)), rng.integers(0, 30, (20, 3))
    names = [f"point {i}" for i in range(K)]
    warps = [
        Warp("Axis 1", -0.2, 0.3, 0.0, rng.normal(size=(K, 3)), marks=[(0.0, "mean")]),
        Warp(
            "query against mean", 0, 2, 0, rng.normal(size=(K, 3)), offset=rng.normal(size=(K, 3)),
            heat=Heat(rng.normal(size=30), "outward", 1.5, np.arange(30) < 7),
            arrows=rng.normal(size=(K, 3)),
            scores_at_start=[0.1, 0.2, 0.3], scores_direction=[1, 2, 3],
        ),
    ]  # fmt: skip
    specimens = Specimens(
        [f"S{i}" for i in range(N)], ["a", "a", "b", "b", "b", ""], ["known"] * 5 + ["query"],
        rng.normal(size=(N, 3)), ["Axis 1", "Axis 2", "Axis 3"],
        positions + 0.1 * rng.normal(size=(N, K, 3)), mm_per_unit=np.full(N, 40.0),
    )  # fmt: skip
    points = Points(names, ["words"] * K, ["landmark"] * 5 + ["curve"] * 2, positions,
                    [("point 0", "point 1")])  # fmt: skip
    return ViewerData("jaw", points, Surface(vertices, faces), warps, specimens,
                      ("front", "top", "outer side"), 42.0, "at the mean size")  # fmt: skip


@pytest.mark.parametrize("kind", ["float32", "uint32"])
def test_arrays_come_back_as_they_went(kind):
    array = np.arange(24).reshape(2, 4, 3).astype(kind)
    entry = json.loads(json.dumps(packed(array, kind)))
    assert unpacked(entry).dtype == np.dtype(kind)
    np.testing.assert_array_equal(unpacked(entry), array)


def test_bytes_are_little_endian():
    """The page reads them as they lie in memory, which is little-endian wherever browsers run."""
    assert packed(np.array([1], dtype=">u4"), "uint32")["base64"] == "AQAAAA=="


def test_the_payload_holds_what_was_given(data):
    read = json.loads(embedded_json(viewer_payload(data)))
    np.testing.assert_allclose(
        unpacked(read["points"]["positions"]), data.points.positions, atol=1e-6
    )
    assert read["points"]["outline"] == [[0, 1]]
    np.testing.assert_array_equal(unpacked(read["surface"]["faces"]), data.surface.faces)
    for warp, entry in zip(data.warps, read["warps"], strict=True):
        np.testing.assert_allclose(unpacked(entry["direction"]), warp.direction, atol=1e-6)
        assert [entry["low"], entry["high"], entry["start"]] == [warp.low, warp.high, warp.start]
    assert read["warps"][0]["marks"] == [[0.0, "mean"]]
    np.testing.assert_allclose(
        unpacked(read["warps"][1]["arrows"]), data.warps[1].arrows, atol=1e-6
    )
    np.testing.assert_allclose(
        unpacked(read["specimens"]["configurations"]), data.specimens.configurations, atol=1e-6
    )
    assert read["specimens"]["mm_per_unit"] == [40.0] * N


def followed(vertices, positions, coefficients):
    """The sum that the page does for each vertex."""
    distances = np.linalg.norm(vertices[:, None] - positions, axis=2)
    k = len(positions)
    ones = np.column_stack([np.ones(len(vertices)), vertices])
    return ones @ coefficients[k:] - distances @ coefficients[:k]


def test_the_surface_follows_each_specimen_by_the_spline(data):
    """The coefficients sent to the page against the spline itself, and those of a way's sum."""
    payload = viewer_payload(data)
    vertices, mean = np.asarray(data.surface.vertices), np.asarray(data.points.positions)
    for shape, coefficients in zip(
        data.specimens.configurations, unpacked(payload["specimens"]["splines"]), strict=True
    ):
        expected = ThinPlateSpline().fit(mean, shape).transform(vertices)
        moved = vertices + followed(vertices, mean, coefficients)
        np.testing.assert_allclose(moved, expected, atol=1e-4)
    warp, entry = data.warps[1], payload["warps"][1]
    at = 1.7
    shape = mean + warp.offset + at * warp.direction
    moved = vertices + followed(vertices, mean, unpacked(entry["spline_offset"]))
    moved += at * followed(vertices, mean, unpacked(entry["spline_direction"]))
    expected = ThinPlateSpline().fit(mean, shape).transform(vertices)
    np.testing.assert_allclose(moved, expected, atol=1e-4)


def test_a_specimen_with_missing_points_spoils_no_other(data):
    """It keeps its gaps, and the others' coefficients stay."""
    shapes = np.array(data.specimens.configurations)
    whole = unpacked(viewer_payload(data)["specimens"]["splines"])
    shapes[2, 3] = np.nan
    gappy = replace(data, specimens=replace(data.specimens, configurations=shapes))
    entry = viewer_payload(gappy)["specimens"]
    assert np.isnan(unpacked(entry["configurations"])[2, 3]).all()
    assert np.isfinite(unpacked(entry["splines"])).all()
    others = [0, 1, 3, 4, 5]
    np.testing.assert_array_equal(unpacked(entry["splines"])[others], whole[others])


def test_given_displacements_of_vertices_take_the_splines_place(data):
    moves = np.random.default_rng(0).normal(size=(30, 3))
    warp = replace(data.warps[0], vertex_direction=moves)
    entry = viewer_payload(replace(data, warps=[warp]))["warps"][0]
    np.testing.assert_allclose(unpacked(entry["vertex_direction"]), moves, atol=1e-6)
    assert "spline_direction" not in entry


def test_marks_are_those_of_the_figures(data):
    entry = viewer_payload(data)["specimens"]
    expected = taxon_marks(["a", "b"])
    assert [(m["taxon"], m["colour"], m["marker"]) for m in entry["taxon_marks"]] == [
        (taxon, mark["color"], mark["marker"]) for taxon, mark in expected.items()
    ]
    assert entry["query_marks"] == [{"specimen": "S5", "colour": QUERY, "marker": "*"}]


def test_heat_has_the_colours_and_the_scale_of_the_figures(data):
    """The stops are those of the figures' own scale, from end to end."""
    heat = viewer_payload(data)["warps"][1]["heat"]
    assert heat["limit"] == 1.5
    assert heat["colours"][0] == to_hex(HEAT(0.0))
    assert heat["colours"][16] == to_hex(HEAT(0.5))
    assert heat["colours"][-1] == to_hex(HEAT(1.0))
    assert heat["within_colour"] == BONE
    np.testing.assert_array_equal(unpacked(heat["within"]), np.arange(30) < 7)
    plain = replace(data.warps[1], heat=Heat(np.ones(30), "heat", 2.0))
    assert "within" not in viewer_payload(replace(data, warps=[plain]))["warps"][0]["heat"]


def test_hostile_strings_end_no_script():
    text = embedded_json({"a": HOSTILE, HOSTILE[0]: "\ud800"})
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == {"a": HOSTILE, HOSTILE[0]: "?"}


def test_numbers_that_json_does_not_have_are_refused():
    with pytest.raises(ValueError, match="JSON"):
        embedded_json({"a": float("nan")})


def bad(data, **changes):
    """The data with parts of its parts changed: `points__names=[]`."""
    for name, value in changes.items():
        part, _, field = name.partition("__")
        if part == "warp":
            data = replace(data, warps=[replace(data.warps[0], **{field: value})])
        elif field:
            data = replace(data, **{part: replace(getattr(data, part), **{field: value})})
        else:
            data = replace(data, **{part: value})
    return data


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"points__names": ["a"] * K}, "different names, but 'a' stands twice"),
        ({"points__definitions": ["a"]}, "7 names, but 1 definitions"),
        (
            {"points__positions": np.zeros((K, 2))},
            r"must have shape \(7, 3\), but has shape \(7, 2",
        ),
        ({"points__positions": np.full((K, 3), np.nan)}, "Positions of the points has missing"),
        ({"points__outline": [("point 0", "tusk")]}, "names 'tusk', which is none of the points"),
        ({"points__outline": [("point 0", "point 1", "point 2")]}, "joins two points, not 3"),
        ({"surface__faces": np.array([[0, 1, 30]])}, "name vertices 0 to 29"),
        ({"surface__faces": np.array([[0, 1, -1]])}, "name vertices 0 to 29"),
        ({"surface__faces": np.zeros((0, 3), int)}, "must have faces"),
        ({"surface__faces": np.zeros((2, 3))}, "triples of vertex numbers"),
        ({"surface__vertices": np.full((30, 3), np.inf)}, "Vertices of the surface has missing"),
        ({"points__positions": np.zeros((K, 3))}, "cannot follow the points: .* at one place"),
        ({"warp__low": 1.0}, "'Axis 1' must run from low to high, not 1.0 to 0.3"),
        ({"warp__start": 2.0}, "start is at 2.0, beyond the ends -0.2 and 0.3"),
        ({"warp__marks": [(9, "far")]}, "far is at 9, beyond the ends"),
        ({"warp__direction": np.zeros((3, 3))}, "direction must have shape"),
        ({"warp__vertex_offset": np.zeros((30, 3))}, "vertices have an offset, but points have no"),
        ({"warp__heat": Heat(np.zeros(4), "h", 1.0)}, r"heat must have shape \(30,\)"),
        ({"warp__heat": Heat(np.zeros(30), "h", 1.0), "surface": None}, "there is no surface"),
        ({"warp__heat": Heat(np.zeros(30), "h", 0.0)}, "heat must end above 0, not at 0.0"),
        (
            {"warp__heat": Heat(np.zeros(30), "h", 1.0, [True])},
            r"variation must have shape \(30,\)",
        ),
        ({"warp__mm_per_unit": -1.0}, "'Axis 1': a unit must have a length in mm, not -1.0"),
        ({"warp__scores_direction": [1.0]}, "scores must have shape"),
        ({"mm_per_unit": 0.0}, "a unit must have a length in mm"),
        ({"towards": ("front",)}, "3 names, but 1 towards"),
        ({"specimens__names": ["S"] * N}, "Specimens must have different names"),
        ({"specimens__taxa": ["a"]}, "6 names, but 1 taxa"),
        ({"specimens__roles": ["guest"] * N}, "'S0' must be known or query, not 'guest'"),
        ({"specimens__axis_labels": ["Axis 1"]}, "two axes or more, but have 1"),
        ({"specimens__scores": np.zeros((N, 2))}, "Scores of the specimens must have shape"),
        ({"specimens__scores": np.full((N, 3), np.nan)}, "Scores of the specimens has missing"),
        ({"specimens__configurations": np.zeros((N, 2, 3))}, "Configurations must have shape"),
        ({"specimens__mm_per_unit": [0.0] * N}, "'S0': a unit must have a length in mm"),
    ],
)
def test_what_does_not_fit_is_refused(data, changes, message):
    with pytest.raises(ViewerDataError, match=message):
        viewer_payload(bad(data, **changes))


class Reader(HTMLParser):
    """Elements of a page, what is open at its end, and the text of scripts."""

    def __init__(self, html):
        super().__init__()
        self.elements, self.open, self.wrong, self.scripts = [], [], [], []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in ("img", "input", "br", "meta", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()
        else:
            self.wrong.append(tag)

    def handle_data(self, text):
        if self.open and self.open[-1] == "script":
            self.scripts.append(text)


def hostile_section(data):
    data = bad(data, title=HOSTILE[0], specimens__names=[*HOSTILE, "S4", "S5"],
               specimens__taxa=[HOSTILE[1]] * N, points__names=[*HOSTILE, "p", "q", "r"],
               points__outline=[], warp__label=HOSTILE[1], towards=HOSTILE[:3])  # fmt: skip
    return viewer_section(data, identifier="jaw", still="data:,", alternative=HOSTILE[2])


def test_the_section_is_balanced_and_holds_no_foreign_element(data):
    page = Reader(hostile_section(data))
    assert page.wrong == []
    assert page.open == []
    (image,) = [attributes for tag, attributes in page.elements if tag == "img"]
    assert image == {"src": "data:,", "alt": HOSTILE[2]}
    assert [a.get("type") for tag, a in page.elements if tag == "script"] == ["application/json"]
    assert not [name for _, a in page.elements for name in a if name.startswith("on")]
    assert json.loads("".join(page.scripts))["specimens"]["names"][:4] == HOSTILE


def test_every_label_finds_its_control_and_every_control_has_a_name(data):
    elements = Reader(viewer_section(data, identifier="b-1", still="", alternative="a")).elements
    identifiers = [a["id"] for _, a in elements if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    labels = {a["for"] for tag, a in elements if tag == "label"}
    assert labels <= set(identifiers)
    for tag, attributes in elements:
        if tag in ("select", "input", "canvas"):
            assert attributes["id" if "id" in attributes else "aria-label"], attributes
            assert attributes.get("id") in labels or attributes.get("aria-label")


def test_two_axes_leave_nothing_to_choose(data):
    plane = replace(data.specimens, scores=np.zeros((N, 2)), axis_labels=["a", "b"])
    page = viewer_section(bad(data, specimens=plane, warps=[]), identifier="a", still="",
                          alternative="")  # fmt: skip
    assert 'data-part="across"' not in page
    assert 'data-part="scatter"' in page


def test_without_specimens_there_is_no_scatter(data):
    lone = bad(data, specimens=None, warps=[data.warps[0]])
    page = viewer_section(lone, identifier="a", still="", alternative="")
    assert 'data-part="scatter"' not in page


@pytest.mark.parametrize("identifier", ["", "1a", 'a" onclick="x', "a b"])
def test_identifiers_are_plain(data, identifier):
    with pytest.raises(ViewerDataError, match="identifier"):
        viewer_section(data, identifier=identifier, still="", alternative="")


def test_scripts_and_style_end_where_they_should_and_fetch_nothing():
    """One style and one script element, with the licence of what is not ours, and no address
    but the names that the web's standards give to kinds of markup."""
    whole = viewer_style() + viewer_scripts()
    page = Reader(whole)
    assert [tag for tag, _ in page.elements] == ["style", "script"]
    assert page.open == page.wrong == []
    assert "Copyright © 2010-2026 three.js authors" in whole
    assert "Permission is hereby granted, free of charge" in whole
    addresses = {word.split('"')[0] for word in whole.split("http")[1:]}
    assert addresses <= {"://www.w3.org/1999/xhtml", "://www.w3.org/2000/svg"}
    assert "url(" not in viewer_style()
    assert "innerHTML" not in "".join(
        line for line in viewer_scripts().splitlines() if len(line) < 1000
    )
    assert len(whole) < 700_000
