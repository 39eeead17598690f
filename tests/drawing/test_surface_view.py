"""Surfaces in three views: what is seen where, colours that mean what they say, legible words."""

from __future__ import annotations

import io
import warnings
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
import trimesh
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from morpho.drawing.bone.heat import BONE, FILLED, HEAT, heat_colours, heat_limit, heat_steps
from morpho.drawing.bone.surface_view import _see, surface_view
from morpho.drawing.style import DOUBLE, SINGLE, figure_style, hold
from morpho.shape.checks import ShapeError

mpl.use("Agg")

TOWARDS = ["front", "top", "outer side"]
LONG = ["the end that lies nearer to the head", "the upper side", "the outer side of the bone"]


@pytest.fixture
def bone():
    """A smooth rod, 20 x 8 x 6 mm, coarse enough to be quick."""
    mesh = trimesh.creation.icosphere(subdivisions=3)
    mesh.apply_scale([10, 4, 3])
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Fewer dots to the inch than on paper."""
    monkeypatch.setattr("morpho.drawing.bone.surface_view._DPI", 60)


@pytest.fixture(autouse=True)
def style():
    with figure_style():
        yield


def views(figure):
    return [axes for axes in figure.get_axes() if axes.images]


def colour_at(axes, x, y):
    """Colour and opacity of the picture at a place in mm."""
    image = axes.images[0]
    left, right, low, high = image.get_extent()
    picture = np.asarray(image.get_array())
    row = int((y - low) / (high - low) * picture.shape[0])
    column = int((x - left) / (right - left) * picture.shape[1])
    return picture[row, column]


def yellow(colour):
    """Positive for the colours of what stands out, negative for those of what stays behind."""
    return float(colour[0] - colour[2])


# --- what is seen


def test_the_nearest_triangle_is_seen_as_brute_force_sees_it(monkeypatch):
    """Every dot against every triangle, by barycentric shares; in several blocks."""
    monkeypatch.setattr("morpho.drawing.bone.surface_view._BLOCK", 1000)
    rng = np.random.default_rng(0)
    points = rng.uniform(-5, 35, size=(60, 3))
    faces = np.arange(60).reshape(20, 3)
    seen = _see(points, faces, (25, 30))
    for row, column in np.ndindex(25, 30):
        best, depth = -1, -np.inf
        for number, (a, b, c) in enumerate(points[faces]):
            M = np.vstack([np.column_stack([a, b, c])[:2], np.ones(3)])
            shares = np.linalg.solve(M, [column + 0.5, row + 0.5, 1])
            if shares.min() >= 0 and shares @ [a[2], b[2], c[2]] > depth:
                best, depth = number, shares @ [a[2], b[2], c[2]]
        assert seen.face[row, column] == best
        if best >= 0:
            assert seen.depth[row, column] == pytest.approx(depth)
            assert seen.weights[row, column].sum() == pytest.approx(1)
        else:
            assert seen.depth[row, column] == -np.inf


def test_values_run_evenly_between_corners():
    points = np.array([[0, 0, 0], [20, 0, 0], [20, 10, 0], [0, 10, 0.0]])
    seen = _see(points, np.array([[0, 1, 2], [0, 2, 3]]), (10, 20))
    assert seen.covered.all()
    across = seen.of_vertices(points[:, 0]).reshape(10, 20)
    np.testing.assert_allclose(across, np.tile(np.arange(20) + 0.5, (10, 1)))
    np.testing.assert_allclose(seen.of_vertices(points[:, :2])[-1], [19.5, 9.5])


def test_no_dot_slips_between_triangles():
    """A fan whose edges run through dots' middles leaves no gap."""
    turn = np.linspace(0, 2 * np.pi, 73)[:-1]
    rim = 20.5 + 18 * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    points = np.vstack([rim, [[20.5, 20.5, 20.5]]])
    faces = np.column_stack([np.arange(72), np.roll(np.arange(72), -1), np.full(72, 72)])
    covered = _see(points, faces, (41, 41)).covered
    y, x = np.indices((41, 41)) + 0.5
    inside = np.hypot(x - 20.5, y - 20.5) < 17.9
    assert covered[inside].all()


def test_nothing_is_seen_of_triangles_without_area_or_beside_the_picture():
    points = np.array([[1, 1, 0], [9, 9, 0], [5, 5, 0], [50, 50, 0], [60, 50, 0], [50, 60, 0.0]])
    assert not _see(points, np.array([[0, 1, 2], [3, 4, 5]]), (10, 10)).covered.any()


# --- colours


def luminance(colours):
    c = np.asarray(colours, dtype=float)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


def test_lightness_rises_all_the_way():
    """The sign can be told without any colour; ends are far apart (CIE lightness, CIE 15)."""
    told = 116 * np.cbrt(luminance(HEAT(np.linspace(0, 1, 201))[:, :3])) - 16
    assert (np.diff(told) > 0).all()
    low, middle, high = told[[0, 100, 200]]
    assert middle - low > 30
    assert high - middle > 30


def test_blue_and_yellow_differ_to_those_who_do_not_see_red_or_green():
    """What is left to them is blue against yellow: its sign changes at zero only."""
    share = np.linspace(0, 1, 201)
    told = [yellow(HEAT(s)) for s in share]
    assert max(told[:95]) < 0 < min(told[106:])
    assert abs(told[100]) < 0.02


def test_the_scale_holds_nearly_all_and_is_round():
    values = np.concatenate([np.linspace(-0.5, 0.73, 990), [9.0] * 5, [np.nan] * 5])
    assert heat_limit(values) == 0.8
    assert heat_limit([-12.0]) == 15
    assert heat_limit([0.0, np.nan]) == heat_limit([]) == 1
    assert heat_limit([0.3]) == 0.3


@pytest.mark.parametrize("limit", [0.03, 0.1, 0.15, 0.2, 0.8, 1, 1.5, 3, 5, 6, 8, 40, 0.77])
def test_steps_are_round_and_about_zero(limit):
    steps = heat_steps(limit)
    assert 5 <= len(steps) <= 13
    np.testing.assert_allclose(steps, -steps[::-1])
    assert steps[len(steps) // 2] == 0
    assert steps[-1] <= limit * (1 + 1e-9)
    assert steps[-1] > 0.7 * limit


def test_colours_for_meshes_are_those_of_the_scale():
    told = heat_colours([-2, -1, 0, 1, 2, np.nan, 0.5], 1.0, [0, 0, 0, 0, 0, 0, 1])
    assert told.dtype == np.uint8
    ends = np.round(255 * HEAT([0.0, 1.0])[:, :3])
    np.testing.assert_array_equal(told[[0, 1]], ends[[0, 0]])
    np.testing.assert_array_equal(told[[3, 4]], ends[[1, 1]])
    np.testing.assert_array_equal(told[5], np.round(255 * np.array(to_rgb(BONE))))
    np.testing.assert_array_equal(told[6], np.round(255 * np.array(to_rgb(FILLED))))
    with pytest.raises(ValueError, match="`limit` must be above 0"):
        heat_colours([1.0], 0)
    with pytest.raises(ShapeError, match=r"`filled` must have shape \(2,\)"):
        heat_colours([1.0, 2.0], 1, [True])


# --- figures


def test_each_view_shows_the_side_it_names(bone):
    """Heat that stands out on one side of the bone and stays behind on the other."""
    V, F = bone
    for axis, (place, sign) in {2: (0, 1), 1: (1, -1), 0: (2, -1)}.items():
        values = np.sign(V[:, axis]) * 0.8
        axes = views(surface_view(V, F, TOWARDS, values=values, limit=1))[place]
        assert np.sign(yellow(colour_at(axes, 0, 0))) == sign
        words = "towards you" if sign > 0 else "away from you"
        title = axes.get_title("left") or axes.get_title("right")
        assert title == f"{TOWARDS[axis]}\n{words}"


def test_right_and_up_are_where_the_axes_say(bone):
    """Heat by place: a dot at +8 mm of an axis has the colour of +8 mm, however it is drawn."""
    V, F = bone
    for axis, far in ((0, 8.0), (1, 3.0), (2, 2.2)):
        figure = surface_view(V, F, TOWARDS, values=V[:, axis], limit=far)
        for axes, view in zip(views(figure), ((0, 1), (0, 2), (2, 1)), strict=True):
            if axis in view:
                x, y = (far, 0) if view[0] == axis else (0, far)
                assert yellow(colour_at(axes, x, y)) > 0.1
                assert yellow(colour_at(axes, -x, -y)) < -0.1
            assert not axes.xaxis_inverted()
            assert not axes.yaxis_inverted()


def test_the_picture_stands_where_the_bone_is(bone):
    V, F = bone
    axes = views(surface_view(V + np.array([100, 50, 20]), F, TOWARDS))[0]
    opaque = [colour_at(axes, 100 + x, 50)[3] > 0.5 for x in (-9.5, 0, 9.5)]
    assert all(opaque)
    picture = np.asarray(axes.images[0].get_array())
    left, right, low, high = axes.images[0].get_extent()
    rows, columns = np.nonzero(picture[..., 3] > 0.5)
    width = np.ptp(columns) / picture.shape[1] * (right - left)
    height = np.ptp(rows) / picture.shape[0] * (high - low)
    assert width == pytest.approx(20, abs=0.5)
    assert height == pytest.approx(8, abs=0.5)


def test_a_near_part_covers_a_far_one(bone):
    """Of two rods one before the other only the nearer one's heat is seen."""
    V, F = bone
    both = np.vstack([V, V * [1, 0.6, 1] + [0, 0, 10]])
    values = np.repeat([-1.0, 1.0], len(V))
    axes = views(surface_view(both, np.vstack([F, F + len(V)]), TOWARDS, values=values))[0]
    assert yellow(colour_at(axes, 0, 0)) > 0.2
    assert yellow(colour_at(axes, 0, 3.4)) < -0.2


def test_the_inside_of_an_open_bone_is_dark(bone):
    V, F = bone
    open_bone = F[V[F].mean(axis=1)[:, 2] < 1]
    dark = colour_at(views(surface_view(V, open_bone, TOWARDS))[0], 0, 0)[:3]
    light = colour_at(views(surface_view(V, F, TOWARDS))[0], 0, 0)[:3]
    assert dark.max() < 0.75 * light.min()


def test_what_lies_within_members_variation_is_hatched_and_has_no_heat(bone):
    """The largest value of all stands there: it has no colour, and no part in the scale."""
    V, F = bone
    values = np.where(V[:, 0] > 0, 50.0, 0.4 * np.sign(V[:, 1]))
    figure = surface_view(V, F, TOWARDS, values=values, within=V[:, 0] > -0.5)
    axes = views(figure)[0]
    around = [colour_at(axes, x, 0.5)[:3] for x in np.linspace(2, 8, 40)]
    assert max(np.ptp(c / np.array(to_rgb(BONE))) for c in around) < 0.1
    assert np.ptp([c.mean() for c in around]) > 0.05  # lines and gaps
    assert yellow(colour_at(axes, -6, 2)[:3]) > 0.1
    labels = [t.get_text() for t in figure.findobj(Text)]
    assert any(label.startswith("within members' variation") for label in labels)
    assert "+0.4" in labels
    assert not [t for t in labels if t.startswith("+5")]


def test_missing_heat_is_the_colour_of_bone(bone):
    V, F = bone
    values = np.where(V[:, 0] > 0, np.nan, 1.0)
    axes = views(surface_view(V, F, TOWARDS, values=values))[0]
    ratio = colour_at(axes, 5, 0)[:3] / np.array(to_rgb(BONE))
    assert np.ptp(ratio) < 0.01


def test_the_scale_bar_is_as_long_as_it_says(bone):
    V, F = bone
    axes = views(surface_view(V, F, TOWARDS))[0]
    (bar,) = axes.lines
    length = float(np.ptp(bar.get_xdata()))
    (label,) = (t for t in axes.texts if t.get_text().endswith(" mm"))
    assert label.get_text() == f"{length:g} mm"
    assert bar.get_ydata()[0] < -4.2  # below the bone


def test_a_very_long_bone_makes_no_vast_picture(bone):
    """Neither across nor up has a picture more dots than the figure has room for."""
    V, F = bone
    for stretched in ([30, 1, 1], [1, 60, 1], [1, 1, 60]):
        figure = surface_view(V * stretched, F, TOWARDS)
        for axes in views(figure):
            height, width = axes.images[0].get_array().shape[:2]
            assert width <= 60 * figure.get_figwidth()
            assert height <= 60 * figure.get_figheight()


def test_the_views_are_on_one_scale(bone):
    figure = surface_view(*bone, TOWARDS, values=bone[0][:, 0])
    figure.canvas.draw()
    scales = []
    for axes in views(figure):
        box = axes.get_window_extent()
        scales += [box.width / abs(np.ptp(axes.get_xlim())), box.height / np.ptp(axes.get_ylim())]
    assert max(scales) < 1.02 * min(scales)


CASES = {
    "plain": {},
    "heat": {"values": True},
    "heat within variation": {"values": True, "within": True},
    "one column": {"values": True, "width": SINGLE},
    "one column, plain": {"width": SINGLE},
    "long names": {"values": True, "towards": LONG, "within": True},
    "tiny": {"values": True, "scale": 0.001},
    "huge": {"values": True, "scale": 800},
    "thin": {"values": True, "flat": 0.05},
    "tall": {"values": True, "turned": True},
}


@pytest.mark.parametrize("case", CASES)
def test_words_are_legible_in_every_case(bone, case, monkeypatch):
    """No warning, no word off the canvas or on another, no view squeezed to nothing."""
    choices = dict(CASES[case])
    V, F = bone
    V = V * choices.pop("scale", 1) * [1, 1, choices.pop("flat", 1)]
    if choices.pop("turned", False):
        V, F = V[:, [1, 0, 2]], F[:, ::-1]
    given = {}
    if choices.pop("values", False):
        given["values"] = V[:, 1] / 7
    if choices.pop("within", False):
        given["within"] = V[:, 0] < 3
    seen = []
    plain = Text.draw

    def draw(text, renderer):
        seen.append(text)
        plain(text, renderer)

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = surface_view(V, F, choices.pop("towards", TOWARDS), **given, **choices)
        figure.savefig(io.BytesIO(), format="svg")
        with monkeypatch.context() as patched:
            patched.setattr(Text, "draw", draw)
            figure.canvas.draw()
    texts = [t for t in dict.fromkeys(seen) if t.get_visible() and t.get_text().strip()]
    assert len(texts) >= 10
    boxes = [(t.get_text(), t.get_window_extent()) for t in texts]
    for word, box in boxes:
        assert box.x0 > -1.5, word
        assert box.y0 > -1.5, word
        assert box.x1 < figure.bbox.x1 + 1.5, word
        assert box.y1 < figure.bbox.y1 + 1.5, word
    for (one, a), (other, b) in combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert not (wide > 1.5 and high > 1.5), (one, other)
    for axes in views(figure):
        assert min(axes.get_window_extent().size) / figure.dpi > 0.3


@pytest.mark.whole
def test_files_are_small_with_live_words_and_the_same_each_time(bone, monkeypatch):
    monkeypatch.setattr("morpho.drawing.bone.surface_view._DPI", 300)
    V, F = bone

    def made():
        figure = surface_view(V, F, TOWARDS, values=V[:, 0], within=V[:, 1] > 2)
        hold(figure)
        stream = io.BytesIO()
        figure.savefig(stream, format="svg", dpi=300, metadata={"Date": None, "Creator": None})
        return stream.getvalue()

    one = made()
    assert one == made()
    assert len(one) < 1_500_000
    assert "outer side" in one.decode()
    assert "variation" in one.decode()


def test_the_width_is_that_of_the_column(bone):
    assert surface_view(*bone, TOWARDS).get_figwidth() == pytest.approx(DOUBLE)
    assert surface_view(*bone, TOWARDS, width=SINGLE).get_figwidth() == pytest.approx(SINGLE)


def test_bad_input_is_refused(bone):
    V, F = bone
    with pytest.raises(ShapeError, match="has no faces"):
        surface_view(V, F[:0], TOWARDS)
    with pytest.raises(ShapeError, match=f"`values` must have one entry for each of the {len(V)}"):
        surface_view(V, F, TOWARDS, values=[1.0])
    with pytest.raises(ShapeError, match="`within` must have one entry"):
        surface_view(V, F, TOWARDS, within=[True])
    with pytest.raises(ValueError, match="`limit` must be above 0, but is -1"):
        surface_view(V, F, TOWARDS, values=V[:, 0], limit=-1)
