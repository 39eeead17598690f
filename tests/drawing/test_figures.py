"""Every figure of every hard study: drawn without a warning, well-formed, and legible."""

from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.text import Annotation

from helpers.invented import FIGURES
from morpho.drawing.figures import robustness
from morpho.drawing.style import VERDICTS, figure_style, short

HOUSE = Path(__file__).parents[2]

pytestmark = pytest.mark.whole

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


def faults(drawn):
    """What keeps a figure from being read, whatever it shows."""
    found = [f"warns: {text}" for text in drawn.warned]
    # XML that any reader takes, and words that can be searched and edited
    if not any(word.strip() for word in words(drawn)):
        found.append("has no live text")
    if b"<script" in drawn.svg:
        found.append("has a script")
    if not drawn.texts:
        found.append("has no text")
    canvas = drawn.figure.bbox
    found += [f"off the canvas: {t.get_text()!r}" for t, box in drawn.texts if outside(box, canvas)]
    apart = [(text, box) for text, box in drawn.texts if not is_number(text)]
    found += [
        f"covers another: {first.get_text()!r}, {second.get_text()!r}"
        for (first, a), (second, b) in combinations(apart, 2)
        if overlap(a, b)
    ]
    for box in drawn.legends:
        if outside(box, canvas):
            found.append("its legend leaves the canvas")
        if any(overlap(box, whole) for _, _, whole in drawn.panels):
            found.append("its legend covers a panel")
    # what they enclose: labels may reach into the gap between
    if any(overlap(a, b) for (_, a, _), (_, b, _) in combinations(drawn.panels, 2)):
        found.append("panels cover each other")
    for _, inner, _ in drawn.panels:
        # an axis on top of another has no height of its own
        if inner.height > 1 and min(inner.size) / drawn.figure.dpi <= 0.3:
            found.append(f"a panel is squeezed to {inner.width:.0f} x {inner.height:.0f} pixels")
    return found


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize(
    "which",
    [
        ("plain", "hard names", "one taxon"),
        pytest.param(("crowded", "two taxa of a flat bone", "bare"), marks=pytest.mark.long),
    ],
    ids=["common", "rare"],
)
def test_it_can_be_read_whatever_the_study(look, which, name):
    """No warning, live words, nothing off the canvas or on top of another, no squeezed panel."""
    found = {study: faults(look(study, name)) for study in which}
    assert {study: each for study, each in found.items() if each} == {}


@pytest.mark.parametrize("name", FIGURES)
def test_the_same_bytes_twice(look, name):
    assert look("plain", name).svg == look("plain", name, again=True).svg


def test_faults_are_seen(look_at):
    """Each kind of fault, in a figure that has them all and in one that has none."""

    def draw(broken):
        figure = plt.figure(figsize=(4, 3))
        figure.set_layout_engine("none")
        left, right = figure.add_axes([0.1, 0.2, 0.3, 0.6]), figure.add_axes([0.6, 0.2, 0.3, 0.6])
        for axes in (left, right):
            axes.plot([0, 1], [0, 1], label="line")
        figure.text(0.5, 0.95, "above", ha="center")
        if broken:
            figure.text(0.52, 0.95, "on it", ha="center")
            figure.text(0.95, 0.1, "far outside")
            right.set_position([0.3, 0.2, 0.5, 0.05])
            figure.legend(handles=left.lines, loc="center left")
            figure.text(0.2, 0.05, "\ue000")  # a sign that no font has
        else:
            figure.legend(handles=left.lines, loc="lower center")
        return figure

    with figure_style():
        assert faults(look_at(draw(False))) == []
        told = "\n".join(faults(look_at(draw(True))))
    plt.close("all")
    assert "warns: Glyph" in told
    assert "off the canvas: 'far outside'" in told
    assert "covers another: 'above', 'on it'" in told
    assert "its legend covers a panel" in told
    assert "panels cover each other" in told
    assert "squeezed to" in told


@pytest.mark.parametrize(
    "study",
    [
        "hard names",
        pytest.param("crowded", marks=pytest.mark.long),
        pytest.param("two taxa of a flat bone", marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize("name", ["shape_space", "growth", "canonical_axes", "adequacy"])
def test_every_taxon_and_query_has_its_name(look, studies, study, name):
    """In the legend, as text, whatever letters it has; cut in the middle where it is long."""
    drawn = look(study, name)
    labels = [text.get_text() for text in drawn.figure.legends[0].get_texts()]
    named = {row["taxon"] or row["specimen"] for row in studies[study].rows}
    if name == "adequacy":  # curves of taxa alone
        named &= {row["taxon"] for row in studies[study].rows}
    if name in ("adequacy", "canonical_axes"):  # of taxa large enough
        named -= {"pair", "single"}
    assert sorted(labels) == sorted(short(one) for one in named)
    assert set(labels) <= words(drawn)


@pytest.mark.parametrize(
    ("study", "name", "said"),
    [
        ("one taxon", "canonical_axes", "Too few specimens or taxa for canonical axes"),
        ("bare", "growth", "Sizes do not vary within taxa"),
        ("bare", "distances", "No query takes part"),
        ("bare", "stability", "No query takes part"),
        ("bare", "trajectories", "No query could be held against growth lines"),
        ("bare", "specimens_to_decide", "No simulations of larger samples"),
        ("bare", "adequacy", "No taxon has specimens enough to be rarefied"),
        ("one taxon", "landmark_error", "No specimen was digitised twice"),
    ],
)
def test_a_figure_that_cannot_be_says_why(look, study, name, said):
    assert any(word.startswith(said) for word in words(look(study, name)))


def test_names_are_no_formulas(look):
    """Dollar signs, underscores and tags of a name stay as they are."""
    told = words(look("hard names", "shape_space"))
    assert {"$x_1$ <b>", "Übung & Söhne", "мышь", 'μῦς "]]>', "<img src=x>", "a & b $"} <= told


def test_p_values_stand_on_their_rows(look, studies):
    """The p-value beside a row is that of the taxon whose name stands there."""
    figure = look("plain", "distances").figure
    table = studies["plain"].results().table("membership")
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


def bars(axes):
    """Colour and length of each bar, row by row from the left."""
    boxes = sorted(axes.patches, key=lambda bar: (round(bar.get_y() + bar.get_height() / 2, 6),
                                                  bar.get_x()))  # fmt: skip
    return [(to_hex(bar.get_facecolor()), bar.get_width()) for bar in boxes]


def test_shares_of_verdicts_are_those_of_the_calibration(look, studies):
    """A bar for each verdict, the interval drawn where the table has it, and the counts."""
    table = studies["plain"].results().table("calibration_summary")
    panels = look("plain", "calibration").figure.axes
    for axes, kind in zip(panels, ("specimen", "taxon"), strict=True):
        part = table[table["left_out"] == kind].reset_index(drop=True)
        expected = [
            (colour, row[verdict] / row["specimens"])
            for row in part.to_dict("records")
            for verdict, colour in VERDICTS.items()
        ]
        drawn = [pair for pair in bars(axes) if pair[1] > 0]
        assert [colour for colour, _ in drawn] == [c for c, share in expected if share > 0]
        np.testing.assert_allclose(
            [share for _, share in drawn], [share for _, share in expected if share > 0]
        )
        spans = [line.get_xdata() for line in axes.lines if len(set(line.get_ydata())) == 1]
        spans = [list(x) for x in spans if x[0] != x[1] or list(x) == [0, 0]]
        for row in part[part["interval_low"].notna()].to_dict("records"):
            assert any(np.allclose(x, [row["interval_low"], row["interval_high"]]) for x in spans)
        texts = {text.get_text() for text in axes.texts}
        assert {f"{r['outside']:.0f} of {r['specimens']:.0f}" for r in part.to_dict("records")} <= (
            texts
        )
    # the level that false alarms are held against stands among them alone
    dashed = [[line for line in axes.lines if list(line.get_xdata()) == [0.05, 0.05]]
              for axes in panels]  # fmt: skip
    assert [len(lines) for lines in dashed] == [1, 0]


def test_strips_have_the_verdicts_of_the_table(look, studies):
    """Each setting is a cell in the colour of its verdict; those that turn it are named."""
    table = studies["plain"].results().table("stability")
    panels = look("plain", "stability").figure.axes
    assert [axes.get_title(loc="left") for axes in panels] == ["find 1", "find 2", "find 3"]
    for axes in panels:
        part = table[table["specimen"] == axes.get_title(loc="left")]
        choices = list(dict.fromkeys(part["choice"]))
        assert [label.get_text() for label in axes.get_yticklabels()] == choices
        ordered = [v for choice in choices for v in part.loc[part["choice"] == choice, "verdict"]]
        assert [colour for colour, _ in bars(axes)] == [VERDICTS[verdict] for verdict in ordered]
        base = part[part["choice"] == "as analysed"].iloc[0].to_dict()
        said = " ".join(text.get_text() for text in axes.texts)
        assert f"{base['verdict']} " in said
        for choice in choices[1:]:
            each = part[part["choice"] == choice]
            turns = each["turns"]
            holds = len(each) - turns.sum()
            assert f"{holds} of {len(each)}" in said
            if holds < len(each):
                first = each.loc[turns, "setting"].iloc[0]
                assert f"not: {first[:10]}" in said
    assert len(set(table["verdict"])) > 1


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["marsh 1"], "marsh 1"),
        (["marsh 1", "marsh 2", "marsh 3"], "marsh 1, marsh 2, marsh 3"),
        ([f"draw {i}" for i in range(1, 51)], "draw 1, draw 2, draw 3 and 47 more"),
        (["a" * 60], "a" * 18 + "…" + "a" * 18),
        (["a" * 60, "b"], "a" * 13 + "…" + "a" * 13 + " and 1 more"),
    ],
)
def test_as_many_turning_settings_are_named_as_there_is_room_for(names, said):
    found = robustness._turning(names)
    assert found == said
    assert len(found) <= robustness._ROOM


def test_bars_of_larger_samples_are_those_of_the_table(look, studies):
    """Shares of simulations, on the number of specimens that each stands for."""
    table = studies["plain"].results().table("specimens_to_decide")
    panels = look("plain", "specimens_to_decide").figure.axes
    assert [axes.get_title(loc="left") for axes in panels] == ["find 1", "find 2", "find 3"]
    for axes in panels:
        part = table[table["specimen"] == axes.get_title(loc="left")]
        ticks = [int(label.get_text()) for label in axes.get_xticklabels()]
        assert ticks == part["taxon_specimens"].tolist()
        for verdict, colour in VERDICTS.items():
            heights = [p.get_height() for p in axes.patches if to_hex(p.get_facecolor()) == colour]
            np.testing.assert_allclose(heights, part[verdict])
        assert part["taxon"].iloc[0] in axes.get_xlabel()


def test_curves_are_those_of_the_rarefaction(look, studies):
    table = studies["plain"].results().table("rarefaction")
    panels = look("plain", "adequacy").figure.axes
    for axes, column in zip(panels, ("mean_error", "variance_error"), strict=True):
        curves = [np.column_stack(line.get_data()) for line in axes.lines]
        for _, part in table.groupby("taxon"):
            points = part.loc[part[column].notna(), ["specimens", column]].to_numpy()
            assert any(c.shape == points.shape and np.allclose(c, points) for c in curves)


def test_queries_stand_at_their_size_and_distance_from_each_line(look, studies):
    """In the panel of each taxon: the query's mark, and marks of all its members."""
    results = studies["plain"].results()
    table, spread = results.table("trajectories"), results.table("spread")
    panels = look("plain", "trajectories").figure.axes
    titles = [axes.get_title(loc="left").split("\n")[0] for axes in panels]
    assert titles == ["ash", "birch", "cedar"]
    for axes, taxon in zip(panels, titles, strict=True):
        offsets = [np.asarray(c.get_offsets()) for c in axes.collections]
        points = np.vstack([o for o in offsets if len(o)])
        for row in table[table["taxon"] == taxon].to_dict("records"):
            at = [np.exp(row["log_centroid_size"]), row["distance"]]
            assert np.isclose(points, at).all(axis=1).any()
        members = spread[(spread["taxon"] == taxon) & spread["size_heeded"]]
        for distance in members["comparable_distance"]:
            assert np.isclose(points[:, 1], distance).any()


def test_a_share_of_variance_is_that_of_the_table(look, studies):
    panels = look("plain", "shape_space").figure.axes
    table = studies["plain"].results().table("variance_per_axis").set_index("axis")
    share = table["share_of_variance"]
    assert panels[0].get_xlabel() == f"Axis 1 ({share[1]:.1%} of variance)"
    assert panels[1].get_ylabel() == f"Axis 3 ({share[3]:.1%} of variance)"


@pytest.mark.parametrize("study", ["plain", pytest.param("crowded", marks=pytest.mark.long)])
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
    ends = studies["plain"].results().table("axis_shapes")
    high = ends[(ends["axis"] == 1) & (ends["end"] == "high")][["x", "y"]].to_numpy()
    panel = look("plain", "axis_shapes").panels[0][0]
    drawn = [np.asarray(c.get_offsets()) for c in panel.collections]
    assert any(points.shape == high.shape and np.allclose(points, high) for points in drawn)


def test_the_largest_error_stands_first(look, studies):
    """Bars are those of the table, longest first, each beside its landmark's name."""
    table = studies["plain"].results().table("landmark_error")
    table = table.sort_values("error_mm", ascending=False)
    axes = next(a for a, _, _ in look("plain", "landmark_error").panels if a.patches)
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
