"""Figures of differences: what is drawn is what the tables hold, and every word can be read."""

from __future__ import annotations

import io
import warnings
from itertools import combinations

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex, to_rgba
from matplotlib.patches import FancyArrowPatch
from matplotlib.quiver import Quiver
from matplotlib.text import Text

from morpho.drawing.bone.arrows import number_points
from morpho.drawing.figures.differences import displacement_ranking, regions, vectors
from morpho.drawing.figures.ranges import _ranked_measurements as measurements
from morpho.drawing.figures.ranges import proportions
from morpho.drawing.lettering import fitted
from morpho.drawing.style import GREY, QUERY, figure_style, short, taxon_marks
from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.measurements import (
    all_distances,
    measure,
    named_measurement,
    ratios,
)
from morpho.inference.differences.prediction import predict_taxon
from morpho.inference.differences.proportions import relative_sizes
from morpho.inference.differences.ranking import compare_measurements
from morpho.inference.differences.regions import region_displacements

mpl.use("Agg")

TOWARDS = ["front", "top", "outer side"]
MM = 40.0
# Of landmarks, taxa and queries; the hard ones are as long as a figure has to bear.
PLAIN = {
    "points": [f"point_{i}" for i in range(1, 15)],
    "taxa": ["ash", "birch"],
    "queries": ["find 1", "find 2"],
    "towards": TOWARDS,
}
HARD = {
    "points": ["$x$", "<b>", "W" * 40]
    + [f"a landmark with quite a long name, no {i:03d}" for i in range(11)],
    "taxa": [f"{c} taxon with quite a long name, number {c}" for c in "abcdefg"] + ["$y$ <i>"],
    "queries": ["$x$ <b> a query with a name of 40 letters", "W" * 40],
    "towards": ["the end that lies nearer to the head", "top", "outer side"],
}  # fmt: skip


class Study:
    """Invented specimens, and tables of them from the very functions that make the real ones."""

    def __init__(self, words):
        rng = np.random.default_rng(8)
        self.words = words
        self.points, self.taxa, self.queries = words["points"], words["taxa"], words["queries"]
        k, n = len(self.points), 6
        self.labels = np.repeat(self.taxa, n)
        mean = rng.normal(size=(k, 3)) * [1, 0.7, 0.3]
        drift = np.repeat(rng.normal(scale=0.06, size=(len(self.taxa), k, 3)), n, axis=0)
        raw = mean + drift + rng.normal(scale=0.05, size=drift.shape)
        asked = mean + drift[[0, -1]] + rng.normal(scale=0.05, size=(2, k, 3))
        asked[0, 2] += [0.5, 0.3, 0.1]
        self.X, self.Q = (self.scaled(part) for part in (raw, asked))

    @staticmethod
    def scaled(X):
        X = X - X.mean(axis=1, keepdims=True)
        return X / np.linalg.norm(X, axis=(1, 2), keepdims=True)

    @property
    def outline(self):
        return list(zip(self.points[:-1], self.points[1:], strict=True))

    def head(self, table):
        return table.assign(query=self.queries[0], taxon=self.taxa[0], size_heeded=True)

    def displaced(self):
        prediction = predict_taxon(self.X, self.labels, self.taxa[0])
        made = displacement(self.Q[0], prediction, centroid_size_mm=MM, names=self.points)
        places = pd.DataFrame(prediction.shape * MM, columns=list("xyz"))
        places["landmark"] = self.points
        places["kind"] = ["landmark"] * 11 + ["curve", "curve", "patch"]
        places["estimated"] = [name == self.points[4] for name in self.points]
        places["other_side"] = [""] * 13 + [self.points[12]]
        places["direction"] = "0.351 mm further back, 0.3 mm higher and 0.282 mm further out"
        return self.head(made.table.merge(places, on="landmark"))

    def shares(self):
        prediction = predict_taxon(self.X, self.labels, self.taxa[0])
        parts = {self.points[0]: [0, 1, 2], self.points[2]: [3, 4, 5, 6], self.points[5]: [7]}
        return self.head(region_displacements(self.Q[0], prediction, parts, centroid_size_mm=MM))

    def tidy(self, known, asked, **columns):
        return pd.DataFrame(
            {
                "specimen": [*(f"s{i}" for i in range(len(known))), *self.queries],
                "taxon": [*self.labels, "", ""],
                "role": ["known"] * len(known) + ["query"] * 2,
                **columns,
                "value": np.concatenate([known, asked]),
            }
        )

    def measured(self):
        chosen = all_distances(self.points, self.points[:5])
        chosen += [named_measurement("", self.points[:3], self.points)]
        chosen += ratios(chosen[:4], chosen[4])
        known, asked = measure(self.X * MM, chosen), measure(self.Q * MM, chosen)
        found = compare_measurements(known, chosen, self.labels, asked, names=self.queries)
        values = [
            self.tidy(known[:, j], asked[:, j], measurement=m.name, unit=m.unit)
            for j, m in enumerate(chosen)
        ]
        ranking = found.ranking.assign(other_side="", size_heeded=False)
        ranking["direction"] = np.where(ranking["difference"] > 0, "longer", "shorter")
        values = pd.concat(values)
        return ranking, values[values["role"] == "known"], found.taxa

    def sizes(self):
        rng = np.random.default_rng(2)
        elements = [self.points[2], "atlas", self.points[6]]
        known = np.exp(rng.normal(3, 0.05, (len(self.labels), 3)))
        asked = np.exp(rng.normal(3, 0.05, (2, 3))) * [1, 1.9, 1]
        asked[1, 2] = np.nan
        table = relative_sizes(known, self.labels, asked, elements=elements, names=self.queries)
        values = [
            self.tidy(known[:, a] / known[:, b], asked[:, a] / asked[:, b], first=elements[a],
                      second=elements[b])
            for a, b in ((0, 1), (0, 2), (1, 2))
        ]  # fmt: skip
        return table, pd.concat(values).rename(columns={"value": "ratio"})

    def figure(self, name):
        return {
            "vectors": lambda: vectors(
                self.displaced(), self.outline, self.words["towards"], alpha=0.05, exaggeration=2
            ),
            "displacement_ranking": lambda: displacement_ranking(self.displaced(), alpha=0.05),
            "regions": lambda: regions(self.shares()),
            "measurements": lambda: measurements(
                *self.measured(), self.queries[0], alpha=0.05, queries=self.queries
            ),
            "proportions": lambda: proportions(*self.sizes()),
        }[name]()


FIGURES = ("vectors", "displacement_ranking", "regions", "measurements", "proportions")


@pytest.fixture(scope="module")
def study():
    return Study(PLAIN)


@pytest.fixture(autouse=True)
def style():
    with figure_style():
        yield


def texts(figure):
    """Texts that are drawn, and the boxes that they fill."""
    figure.canvas.draw()
    plain, seen = Text.draw, []

    def draw(text, renderer):
        seen.append(text)
        plain(text, renderer)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", draw)
        figure.canvas.draw()
    shown = [t for t in dict.fromkeys(seen) if t.get_visible() and t.get_text().strip()]
    return [(t, Text.get_window_extent(t)) for t in shown]


def written(figure):
    return [text.get_text() for text, _ in texts(figure)]


@pytest.mark.whole
@pytest.mark.parametrize("words", [PLAIN, HARD], ids=["plain", "hard"])
@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize(
    "dpi",
    [pytest.param(72, marks=pytest.mark.slow), 100, pytest.param(300, marks=pytest.mark.slow)],
)
def test_every_word_is_on_the_canvas_and_covers_no_other(name, words, dpi):
    """Numbers at landmarks too, at the resolutions that figures are written in."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = Study(words).figure(name)
        figure.set_dpi(dpi)
        found = texts(figure)
    touch = 1.5 * dpi / 100
    canvas = figure.bbox.padded(touch)
    assert len(found) > 10
    assert not [
        text.get_text()
        for text, box in found
        if box.x0 < canvas.x0 or box.y0 < canvas.y0 or box.x1 > canvas.x1 or box.y1 > canvas.y1
    ]
    covered = [
        (s.get_text(), t.get_text())
        for (s, a), (t, b) in combinations(found, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > touch and min(a.y1, b.y1) - max(a.y0, b.y0) > touch
    ]
    assert not covered
    for axes in figure.get_axes():
        if axes.axison:
            assert min(axes.get_window_extent().size) / dpi > 0.3


@pytest.mark.whole
@pytest.mark.parametrize("name", FIGURES)
def test_names_are_no_formulas(name):
    stream = io.BytesIO()
    Study(HARD).figure(name).savefig(stream, format="svg")
    svg = stream.getvalue().decode()
    assert "$x$" in svg
    assert "&lt;b&gt;" in svg
    assert "<b>" not in svg


@pytest.mark.parametrize("name", FIGURES)
def test_without_a_row_the_figure_says_so(study, name):
    none = study.displaced().iloc[:0], study.shares().iloc[:0]
    ranking, values, ends = study.measured()
    table, sizes = study.sizes()
    figure, said = {
        "vectors": lambda: (vectors(none[0], [], TOWARDS, alpha=0.05), "No displacements"),
        "displacement_ranking": lambda: (
            displacement_ranking(none[0], alpha=0.05), "No displacements"),
        "regions": lambda: (regions(none[1]), "No region is known"),
        "measurements": lambda: (
            measurements(ranking.iloc[:0], values, ends, "find 1", alpha=0.05),
            "No measurement could be taken on find 1"),
        "proportions": lambda: (proportions(table.iloc[:0], sizes), "No query has two elements"),
    }[name]()  # fmt: skip
    assert len(written(figure)) == 1
    assert written(figure)[0].startswith(said)


@pytest.mark.parametrize("exaggeration", [1.0, 3.0])
def test_arrows_go_from_the_prediction_to_the_query(study, exaggeration):
    """In each view, as many times as long as the title says; the query's colour is significance."""
    table = study.displaced()
    figure = vectors(table, study.outline, TOWARDS, alpha=0.05, exaggeration=exaggeration)
    panels = [axes for axes in figure.get_axes() if axes.axison]
    assert len(panels) == 3
    for axes, (a, b) in zip(panels, ("xy", "xz", "zy"), strict=True):
        drawn = {}
        for arrows in (one for one in axes.collections if isinstance(one, Quiver)):
            assert arrows.scale == 1
            colour = to_hex(arrows.get_facecolor()[0])
            for x, y, u, v in zip(*arrows.XY.T, arrows.U, arrows.V, strict=True):
                drawn[tuple(np.round([x, y, u, v], 6))] = colour
        for arrow in (one for one in axes.patches if isinstance(one, FancyArrowPatch)):
            start, end = np.asarray(arrow._posA_posB)
            colour = to_hex(arrow.get_edgecolor())
            drawn[tuple(np.round([*start, *(end - start)], 6))] = colour
        assert len(drawn) == len(table)
        for row in table.to_dict("records"):
            step = exaggeration * np.array([row[f"{a}_mm"], row[f"{b}_mm"]])
            colour = drawn[tuple(np.round([row[a], row[b], *step], 6))]
            assert (colour == QUERY) == (row["p_value_false_discovery"] <= 0.05)
    told = "arrows are drawn 3 times as long"
    assert any(told in word for word in written(figure)) == (exaggeration == 3)


def test_colours_follow_the_level(study):
    """The planted landmark is significant, and nothing is at a level of 0."""
    table = study.displaced()
    assert 0 < (table["p_value_false_discovery"] <= 0.05).sum() < len(table)
    for alpha, any_red in ((0.05, True), (0.0, False)):
        figure = vectors(table, study.outline, TOWARDS, alpha=alpha)
        arrows = [one for one in figure.get_axes()[-1].collections if isinstance(one, Quiver)]
        colours = {to_hex(one.get_facecolor()[0]) for one in arrows}
        assert (QUERY in colours) == any_red


def test_estimated_landmarks_are_dashed_and_open_and_told(study):
    table = study.displaced()
    told = "landmark was estimated on this bone"
    for estimated in (True, False):
        table["estimated"] &= estimated
        figure = vectors(table, study.outline, TOWARDS, alpha=0.05)
        for axes in (one for one in figure.get_axes() if one.axison):
            dashed = [one for one in axes.patches if isinstance(one, FancyArrowPatch)]
            assert len(dashed) == int(estimated)
            assert all(one.get_linestyle() != "-" for one in dashed)
        assert (told in written(figure)) == estimated
    table["estimated"] = table["landmark"] == table["landmark"][0]
    name = f"{table['landmark'][0]} (estimated)"
    assert name in written(vectors(table, study.outline, TOWARDS, alpha=0.05))
    table["kind"] = "landmark"
    assert name in written(displacement_ranking(table, alpha=0.05))


def test_the_five_largest_are_numbered_and_in_the_key(study):
    """By SD, whatever the order of the rows; each number stands near its arrow in each view."""
    table = study.displaced()
    shuffled = table.sample(frac=1, random_state=3)
    figure = vectors(shuffled, study.outline, TOWARDS, alpha=0.05)
    found = written(figure)
    at = found.index("Largest differences")
    for number, row in enumerate(table.head(5).to_dict("records"), start=1):
        line = [str(number), row["landmark"] + " (estimated)" * row["estimated"],
                f"{row['displacement_mm']:.2f}", f"{row['in_taxon_sd']:.1f}"]  # fmt: skip
        place = at + 3 + 4 * (number - 1)
        assert found[place : place + 4] == line
        for axes, pair in zip([a for a in figure.get_axes() if a.axison], ("xy", "xz", "zy"),
                              strict=True):  # fmt: skip
            middle = [row[c] + row[f"{c}_mm"] / 2 for c in pair]
            label = next(t for t in axes.texts if t.get_text() == str(number))
            np.testing.assert_allclose(label.xy, middle)
            assert np.hypot(*label.get_position()) < 43


def test_numbers_of_points_on_one_spot_stand_apart():
    figure, axes = plt.subplots(figsize=(2, 2))
    axes.set(xlim=(0, 1), ylim=(0, 1))
    figure.draw_without_rendering()
    spots = np.full((6, 2), 0.98)
    number_points(axes, spots, spots, range(6))
    figure.draw_without_rendering()
    boxes = [Text.get_window_extent(text) for text in axes.texts]
    assert [text.get_text() for text in axes.texts] == list("123456")
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))
    room = axes.get_window_extent()
    assert all(room.x0 < b.x0 and b.x1 < room.x1 and b.y1 < room.y1 for b in boxes)


def test_a_number_beside_its_arrow_has_no_line_whichever_way_it_stands():
    """The nearest place is one distance in every direction, whatever the last bit says."""
    figure, axes = plt.subplots(figsize=(6, 6))
    axes.set(xlim=(-1, 1), ylim=(-1, 1))
    figure.draw_without_rendering()
    turns = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    spots = 0.8 * np.column_stack([np.cos(turns), np.sin(turns)])
    number_points(axes, spots, spots, range(len(spots)))
    assert len(axes.texts) == 16
    assert [text.get_text() for text in axes.texts if text.arrow_patch is not None] == []


def test_the_ranking_shows_both_fits_of_landmarks_only(study, monkeypatch):
    monkeypatch.setattr("morpho.drawing.figures.differences._MOST", 8)
    table = study.displaced()
    figure = displacement_ranking(table, alpha=0.05)
    axes = figure.get_axes()[0]
    best = table[table["kind"] == "landmark"].sort_values("in_taxon_sd", ascending=False).head(8)
    names = [label.get_text().removesuffix(" (estimated)") for label in axes.get_yticklabels()]
    assert names == best["landmark"].tolist()
    marks = [np.asarray(c.get_offsets()) for c in axes.collections if len(c.get_offsets()) == 8]
    columns = np.column_stack([best["in_taxon_sd"], best["resistant_in_taxon_sd"]]).T
    for sd in columns:
        assert any(np.allclose(m, np.column_stack([sd, range(8)])) for m in marks)
    dots = next(c for c in axes.collections if np.allclose(c.get_offsets()[:1], [columns[0, 0], 0]))
    wanted = [to_rgba(QUERY if p <= 0.05 else GREY) for p in best["p_value_false_discovery"]]
    np.testing.assert_allclose(dots.get_facecolor(), wanted)
    assert [f"{mm:.2f}" for mm in best["displacement_mm"]] == [
        text.get_text() for text in axes.texts[1:9]
    ]
    assert any("8 of 11 landmarks" in word for word in written(figure))


def test_a_landmark_that_never_moves_within_taxa_is_drawn_last(study):
    """Its displacement in SD is not known."""
    table = study.displaced()
    sd = ["in_taxon_sd", "resistant_in_taxon_sd", "p_value_false_discovery"]
    table.loc[0, sd] = np.nan
    table.loc[0, "kind"] = "landmark"
    figure = displacement_ranking(table, alpha=0.05)
    assert figure.get_axes()[0].get_yticklabels()[-1].get_text() == table["landmark"][0]
    found = written(vectors(table, study.outline, TOWARDS, alpha=0.05))
    assert found[found.index("Largest differences") + 4] == table["landmark"][1]


def test_bars_are_the_shares_of_the_table(study):
    table = study.shares()
    figure = regions(table)
    axes = figure.get_axes()[0]
    own, expected = np.array([bar.get_width() for bar in axes.patches]).reshape(2, -1)
    np.testing.assert_allclose(own, table["share_of_displacement"])
    np.testing.assert_allclose(expected, table["share_expected"])
    names = [label.get_text().split("\n")[0] for label in axes.get_yticklabels()]
    assert names == table["region"].tolist()
    assert "point_6\n1 point" in written(figure)
    said = [text.get_text() for text in axes.texts]
    p = table["share_p_value_false_discovery"]
    assert said[-len(table) :] == [f"{one:.3f}" for one in p]


def test_measurements_stand_among_the_specimens(study):
    """Dots are specimens of the taxon, bands their ranges, the line the query."""
    ranking, values, ends = study.measured()
    ranking = ranking[ranking["rank"].isin([1, 2, 13, 14, 15])]
    best = ranking[ranking["query"] == "find 1"]
    assert best["outside_every_taxon"].any()
    assert not best["outside_every_taxon"].all()
    figure = measurements(ranking, values, ends, "find 1", alpha=0.05, most=5)
    panels = [axes for axes in figure.get_axes() if axes.axison]
    assert len(panels) == 5
    for axes, one in zip(panels, best.to_dict("records"), strict=True):
        title = axes.get_title(loc="left").replace("\n", " ")
        assert title.startswith(f"{one['rank']}. {one['measurement'][:12]}")
        assert axes.get_xlabel() == one["unit"]
        lines = [np.asarray(line.get_xdata(), dtype=float) for line in axes.lines]
        assert any(np.allclose(x, one["value"]) for x in lines)
        for taxon, mark in taxon_marks(["ash", "birch"]).items():
            chosen = (values["measurement"] == one["measurement"]) & (values["taxon"] == taxon)
            own = np.sort(values.loc[chosen, "value"])
            dots = [c for c in axes.collections if len(c.get_offsets()) == len(own)]
            dots = [c for c in dots if np.allclose(c.get_offsets()[:, 0], own)]
            assert len(dots) == 1
            np.testing.assert_allclose(dots[0].get_facecolor()[0], to_rgba(mark["color"]))
            assert any(np.allclose(x, [own[0], own[-1]]) for x in lines)
        said, told = axes.texts[0].get_text(), f"outside {one['taxa_outside']} of 2 ranges"
        p = one["p_value_false_discovery"]
        if one["outside_every_taxon"]:
            told = f"{one['direction']} than every range"
            told = "outside every range" if one["beside_ranges"] == "between" else told
            told += f", p {'< 0.001' if p < 0.001 else f'{p:.3f}'}"
        assert said == told
        stressed = one["outside_every_taxon"] and p <= 0.05
        assert (to_hex(axes.texts[0].get_color()) == to_hex(QUERY)) == stressed


def test_a_figure_of_measurements_of_which_none_passes_says_so_first(study):
    """And none of them stands in the query's colour, outside every range or not."""
    ranking, values, ends = study.measured()
    passing = measurements(ranking, values, ends, "find 1", alpha=1.0)
    assert "None beyond" not in passing.get_suptitle()
    ranking = ranking.assign(p_value_false_discovery=0.31, size_heeded=True)
    figure = measurements(ranking, values, ends, "find 1", alpha=0.05)
    how, first = figure.get_suptitle().split("\n")
    assert how.startswith("Known specimens as they would be at the query's own size")
    assert first.startswith("None beyond false-discovery control at 0.05")
    above = [axes.texts[0] for axes in figure.get_axes() if axes.axison]
    assert any("than every range, p 0.310" in text.get_text() for text in above)
    assert not any(to_hex(text.get_color()) == to_hex(QUERY) for text in above)


def test_of_two_mirror_images_one_is_ranked_and_named(study):
    """Both are drawn on the bone."""
    table = study.displaced()
    first = table["landmark"] == "point_3"
    twin = table[first].assign(landmark="point_3_far", other_side="point_3", counted=False)
    table.loc[first, "other_side"] = "point_3_far"
    both = pd.concat([table, twin], ignore_index=True)
    figure = displacement_ranking(both, alpha=0.05)
    names = [label.get_text() for label in figure.get_axes()[0].get_yticklabels()]
    assert names[0] == "point_3 (both sides)"
    assert len(names) == 11
    assert "further back, higher and further out" in written(figure)
    figure = vectors(both, study.outline, TOWARDS, alpha=0.05)
    named = [text for text in written(figure) if text.startswith("point_")]
    assert len(named) == 5
    assert "point_3 (both sides)" in named


@pytest.mark.parametrize("draw", ["vectors", "displacement_ranking"])
def test_displacements_of_which_none_passes_are_told_to_be_so(study, draw):
    table = study.displaced()
    calls = {
        "vectors": lambda part: vectors(part, study.outline, TOWARDS, alpha=0.05),
        "displacement_ranking": lambda part: displacement_ranking(part, alpha=0.05),
    }
    none = "None beyond false-discovery control at 0.05"
    assert not any(none in text for text in written(calls[draw](table)))
    table["p_value_false_discovery"] = 0.2
    assert any(none in text for text in written(calls[draw](table)))


def test_what_was_not_measured_has_no_line(study):
    ranking, values, ends = study.measured()
    ranking.loc[0, ["value", "outside_every_taxon"]] = [np.nan, False]
    axes = measurements(ranking, values, ends, "find 1", alpha=0.05, most=3).get_axes()[0]
    assert [text.get_text() for text in axes.texts] == ["not measured"]
    assert not any(to_hex(line.get_color()) == QUERY for line in axes.lines)


def test_proportions_stand_among_the_individuals(study):
    table, values = study.sizes()
    # as the step that writes the table names its columns
    figure = proportions(table.rename(columns={"query": "specimen"}), values)
    panels = [axes for axes in figure.get_axes() if axes.axison]
    assert len(panels) == 3
    for axes, pair in zip(panels, table[["first", "second"]].drop_duplicates().to_numpy(),
                          strict=True):  # fmt: skip
        assert axes.get_xscale() == "log"
        assert axes.get_title(loc="left") == " / ".join(pair)
        here = table[(table["first"] == pair[0]) & (table["second"] == pair[1])]
        lines = [np.asarray(line.get_xdata(), dtype=float) for line in axes.lines]
        for (low, high), _ in here.groupby(["ratio_minimum", "ratio_maximum"]):
            assert any(np.allclose(x, [low, high]) for x in lines)
        for row, query in enumerate(study.queries):
            mine = here[here["query"] == query]
            told = axes.texts[row].get_text()
            ratio = mine["query_ratio"].iloc[0]
            if np.isnan(ratio):
                assert told == "not measured"
                continue
            assert any(np.allclose(x, ratio) for x in lines)
            n = int(mine["outside_range"].sum())
            words = "outside every range" if n == 2 else f"outside {n} of 2 ranges"
            assert told.endswith(words)
            assert float(told.split(",")[0]) == pytest.approx(ratio, rel=0.01)
    assert any("outside every range" in t.get_text() for t in panels[0].texts)


def test_names_are_cut_to_the_room():
    figure = plt.figure()
    long = "W" * 40
    names = fitted(figure, ["jaw", long], 40, 1.5, ["", " (estimated)"])
    assert names[0] == "jaw"
    assert names[1].endswith(" (estimated)")
    assert "…" in names[1]
    width = figure.text(0, 0, names[1], fontsize=7).get_window_extent().width
    assert width / figure.dpi <= 1.5
    assert fitted(figure, [long], 8, 9.0) == [short(long, 8)]


@pytest.mark.parametrize("column", ["query", "taxon", "size_heeded"])
def test_several_comparisons_in_one_table_are_refused(study, column):
    table, shares = study.displaced(), study.shares()
    for one in (table, shares):
        one[column] = [one[column].iloc[0]] * (len(one) - 1) + [False]
    table["kind"] = "landmark"
    for make in (
        lambda: vectors(table, [], TOWARDS, alpha=0.05),
        lambda: displacement_ranking(table, alpha=0.05),
        lambda: regions(shares),
    ):
        with pytest.raises(ValueError, match="one query, one taxon and one way"):
            make()


def test_what_cannot_be_drawn_is_refused(study):
    with pytest.raises(ValueError, match="`exaggeration` must be above 0, but is 0"):
        vectors(study.displaced(), [], TOWARDS, alpha=0.05, exaggeration=0)
    ranking, values, ends = study.measured()
    with pytest.raises(ValueError, match="holds measurements twice"):
        measurements(pd.concat([ranking, ranking]), values, ends, "find 1", alpha=0.05)
