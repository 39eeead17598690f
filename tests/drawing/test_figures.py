"""Every figure of every hard study: drawn without a warning, well-formed, and legible."""

from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.text import Annotation

from morpho.drawing.style import short
from morpho.report.captions import CAPTIONS

pytestmark = pytest.mark.slow

# Pixels by which boxes may touch: the boxes of letters are wider than their ink.
TOUCH = 1.5
SVG = "{http://www.w3.org/2000/svg}"


def words(drawn):
    """Live texts of the SVG."""
    root = ElementTree.fromstring(drawn.svg)
    return {"".join(node.itertext()) for node in root.iter(f"{SVG}text")}


def outside(box, canvas):
    return (
        box.x0 < canvas.x0 - TOUCH
        or box.y0 < canvas.y0 - TOUCH
        or box.x1 > canvas.x1 + TOUCH
        or box.y1 > canvas.y1 + TOUCH
    )


def overlap(a, b):
    """Whether two boxes share more than a touch."""
    wide = min(a.x1, b.x1) - max(a.x0, b.x0)
    high = min(a.y1, b.y1) - max(a.y0, b.y0)
    return wide > TOUCH and high > TOUCH


def is_number(text):
    """Whether a text numbers a landmark: these may stand close where landmarks do."""
    return isinstance(text, Annotation) and text.get_text().isdigit()


def test_drawn_without_a_warning(drawn):
    assert drawn.warned == []


def test_well_formed_with_live_text(drawn):
    """XML that any reader takes, and words that can be searched and edited."""
    assert any(word.strip() for word in words(drawn))
    assert b"<script" not in drawn.svg


@pytest.mark.parametrize("name", CAPTIONS)
def test_the_same_bytes_twice(look, name):
    assert look("one query", name).svg == look("one query", name, again=True).svg


def test_no_text_leaves_the_canvas(drawn):
    assert drawn.texts
    assert not [t.get_text() for t, box in drawn.texts if outside(box, drawn.figure.bbox)]


def test_no_text_covers_another(drawn):
    found = [(text, box) for text, box in drawn.texts if not is_number(text)]
    covered = []
    for (first, a), (second, b) in combinations(found, 2):
        if overlap(a, b):
            covered.append((first.get_text(), second.get_text()))
    assert not covered


def test_the_legend_keeps_off_the_axes(drawn):
    for box in drawn.legends:
        assert not outside(box, drawn.figure.bbox)
        assert not any(overlap(box, whole) for _, _, whole in drawn.panels)


def test_panels_keep_off_each_other(drawn):
    """What they enclose: labels may reach into the gap between."""
    assert not any(overlap(a, b) for (_, a, _), (_, b, _) in combinations(drawn.panels, 2))


def test_panels_are_large_enough_to_see_something(drawn):
    """No legend and no name squeezes a panel to nothing."""
    for _, inner, _ in drawn.panels:
        if inner.height > 1:  # an axis on top of another has no height of its own
            assert min(inner.size) / drawn.figure.dpi > 0.3


@pytest.mark.parametrize("name", ["shape_space", "growth", "canonical_axes"])
@pytest.mark.parametrize("study", ["no query", "nine queries", "twelve taxa", "long names",
                                   "odd names", "two taxa"])  # fmt: skip
def test_every_taxon_and_query_has_its_name(look, studies, study, name):
    """In the legend, as text, whatever letters it has; cut in the middle where it is long."""
    drawn = look(study, name)
    labels = [text.get_text() for text in drawn.figure.legends[0].get_texts()]
    named = {row["taxon"] or row["specimen"] for row in studies[study].rows}
    assert sorted(labels) == sorted(short(one) for one in named)
    assert set(labels) <= words(drawn)


@pytest.mark.parametrize(
    ("study", "name", "said"),
    [
        ("one taxon", "canonical_axes", "Too few specimens or taxa for canonical axes"),
        ("sizes all equal", "growth", "Sizes do not vary within taxa"),
        ("no query", "distances", "No query takes part"),
        ("one query", "landmark_error", "No specimen was digitised twice"),
    ],
)
def test_a_figure_that_cannot_be_says_why(look, study, name, said):
    assert any(word.startswith(said) for word in words(look(study, name)))


def test_names_are_no_formulas(look):
    """Dollar signs, underscores and tags of a name stay as they are."""
    told = words(look("odd names", "shape_space"))
    assert {"$x_1$ <b>", "Übung & Söhne", "мышь", 'μῦς "]]>', "<img src=x>", "a & b $"} <= told


def test_p_values_stand_on_their_rows(look, studies):
    """The p-value beside a row is that of the taxon whose name stands there."""
    figure = look("three queries", "distances").figure
    table = studies["three queries"].results().table("membership")
    assert len(figure.axes) == 6
    for axes in figure.axes:
        query, how = axes.get_title(loc="left").split("\n")
        heeded = how.startswith("At its own size")
        part = table[(table["specimen"] == query) & (table["size_heeded"] == heeded)]
        taxa = [label.get_text() for label in figure.axes[0].get_yticklabels()]
        assert len(axes.texts) == len(taxa) == 3
        for text in axes.texts:
            p = part.set_index("taxon").loc[taxa[text.get_position()[1]], "p_value"]
            assert text.get_text() == ("p < 0.001" if p < 0.001 else f"p = {p:.3f}")


def test_a_share_of_variance_is_that_of_the_table(look, studies):
    panels = look("one query", "shape_space").figure.axes
    table = studies["one query"].results().table("variance_per_axis").set_index("axis")
    share = table["share_of_variance"]
    assert panels[0].get_xlabel() == f"Axis 1 ({share[1]:.1%} of variance)"
    assert panels[1].get_ylabel() == f"Axis 3 ({share[3]:.1%} of variance)"


@pytest.mark.parametrize("study", ["one query", "twelve taxa", "a flat bone"])
def test_the_views_are_on_one_scale(look, study):
    """A bone is as long in one view as in the next."""
    scales = []
    for axes, box, _ in look(study, "mean_shape").panels:
        scales.append(box.width / np.ptp(axes.get_xlim()))
        scales.append(box.height / np.ptp(axes.get_ylim()))
    assert len(scales) == 6
    assert max(scales) < 1.02 * min(scales)


def test_ends_of_an_axis_are_drawn_where_the_table_has_them(look, studies):
    """Landmarks of the high end stand at their coordinates."""
    ends = studies["one query"].results().table("axis_shapes")
    high = ends[(ends["axis"] == 1) & (ends["end"] == "high")][["x", "y"]].to_numpy()
    panel = look("one query", "axis_shapes").panels[0][0]
    drawn = [np.asarray(c.get_offsets()) for c in panel.collections]
    assert any(points.shape == high.shape and np.allclose(points, high) for points in drawn)


def test_the_largest_error_stands_first(look, studies):
    """Bars are those of the table, longest first, each beside its landmark's name."""
    table = studies["digitised twice"].results().table("landmark_error")
    table = table.sort_values("error_mm", ascending=False)
    axes = next(a for a, _, _ in look("digitised twice", "landmark_error").panels if a.patches)
    np.testing.assert_allclose([bar.get_width() for bar in axes.patches], table["error_mm"])
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert names == table["landmark"].tolist()


@pytest.mark.parametrize(
    ("name_given", "longest", "told"),
    [
        ("short", 10, "short"),
        ("exactly 10", 10, "exactly 10"),
        ("CAVE-2024-left-07", 11, "CAVE-…ft-07"),
    ],
)
def test_long_names_are_cut_in_the_middle(name_given, longest, told):
    """Beginning and end tell specimens of one series apart."""
    assert short(name_given, longest) == told
    assert len(told) <= longest
