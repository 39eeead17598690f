"""Figures of trials and of sample size: what the tables hold is drawn, and can be read."""

from __future__ import annotations

import io
import warnings
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from matplotlib.text import Text

from morpho.drawing.figures import growth, robustness
from morpho.drawing.style import VERDICTS, figure_style, hold

mpl.use("Agg")

ALPHA = 0.05
TOUCH = 1.5
LONG = "a name that goes on and on " * 7
ODD = ["$x_1$ <b>", "Übung & Söhne", "мышь"]
NAMES = ("outside", "inside", "undecided")
# Taxa and queries of a study; some as hard as they come.
STUDIES = {
    "plain": (["ash", "birch", "cedar"], ["find 1", "find 2"]),
    "one of each": (["ash"], ["find 1"]),
    "many": ([f"taxon number {i}" for i in range(12)], [f"find {i}" for i in range(7)]),
    "long names": ([LONG + str(i) for i in range(3)], [LONG + "Q1", LONG + "Q2"]),
    "odd names": (ODD, ["<img src=x>", "a & b $"]),
}


def summary_of(taxa):
    """The table `calibration_summary`."""
    rng = np.random.default_rng(len(taxa))
    rows = []
    for left_out in ("specimen", "taxon") if len(taxa) > 1 else ("specimen",):
        counts = rng.integers(1, 9, size=(len(taxa), 3))
        counts = np.vstack([counts, counts.sum(axis=0)])
        for taxon, (out, inside, undecided) in zip([*taxa, "all taxa"], counts, strict=True):
            n = out + inside + undecided
            ends = (out / n / 2, (1 + out / n) / 2)
            if (left_out, taxon) == ("taxon", "all taxa"):
                ends = (np.nan, np.nan)
            rows.append((left_out, taxon, n, out, inside, undecided, *ends))
    return pd.DataFrame(
        rows, columns=["left_out", "taxon", "specimens", *NAMES, "interval_low", "interval_high"]
    )


def stability_of(queries):
    """The table `stability`: every kind of choice, some settings of which turn the verdict."""
    rows = []
    settings = {
        "as analysed": [""], "size": ["size not heeded", "size heeded"],
        "growth not extrapolated": ["at the nearest measured sizes"],
        "axes": ["1 axis", *[f"{i} axes" for i in range(2, 9)]],
        "covariance": ["shrunken", "own"],
        "landmark left out": [f"left_notch_{i} and right_notch_{i}" for i in range(14)],
        "semilandmarks left out": ["ridge"],
        "specimen left out": [f"{queries[0]} {i}" for i in range(60)],
        "digitising error": [f"draw {i}" for i in range(1, 51)],
        "distortion": [f"{queries[0]} as it was dug up"],
    }  # fmt: skip
    for q, query in enumerate(queries):
        base = NAMES[q % 3]
        for choice, names in settings.items():
            for i, setting in enumerate(names):
                turns = choice != "as analysed" and i % 3 == 0 and q != 1
                verdict = NAMES[(q + 1) % 3] if turns else base
                rows.append((query, choice, setting, verdict, turns))
    return pd.DataFrame(rows, columns=["specimen", "choice", "setting", "verdict", "turns"])


def growth_of(taxa, queries):
    """The tables `trajectories`, `spread` and `centroid_size`."""
    rng = np.random.default_rng(1)
    known = [f"{taxon} {i}" for taxon in taxa for i in range(6)]
    taxon = np.repeat(taxa, 6)
    size = rng.uniform(8, 20, len(known))
    spread = pd.DataFrame(
        {"specimen": known, "size_heeded": True, "taxon": taxon,
         "comparable_distance": rng.uniform(0.02, 0.1, len(known))}
    )  # fmt: skip
    spread.loc[0, "comparable_distance"] = np.nan
    spread = pd.concat([spread, spread.assign(size_heeded=False, comparable_distance=9.0)])
    sizes = pd.DataFrame({"specimen": known, "centroid_size_mm": size})
    lines = pd.DataFrame(
        [(q, t, "own" if t == taxa[0] else "shared", np.log(6 + i), 0.05 + 0.02 * i)
         for i, q in enumerate(queries) for t in taxa],
        columns=["specimen", "taxon", "growth_line", "log_centroid_size", "distance"],
    )  # fmt: skip
    return lines, spread, sizes


def rarefaction_of(taxa):
    """The table `rarefaction`."""
    rows = []
    for i, taxon in enumerate(taxa):
        for m in range(2, 17):
            error, inside = (1 + i) * 0.05 / np.sqrt(m), m < 8
            rows.append(
                (taxon, m, 1.02 * error if inside else np.nan, error,
                 np.sqrt(2 / (m - 1)) if inside else np.nan)
            )  # fmt: skip
    columns = ["taxon", "specimens", "mean_error", "mean_error_expected", "variance_error"]
    return pd.DataFrame(rows, columns=columns)


def needed_of(taxa, queries):
    """The table `specimens_to_decide`."""
    added = np.array([0, 2, 4, 8, 12, 16, 24, 32, 48])
    share = np.linspace(0, 0.9, len(added))
    return pd.concat(
        pd.DataFrame(
            {"specimen": query, "taxon": taxa[0], "added": added, "taxon_specimens": added + 9,
             "outside": share, "inside": (1 - share) / 4, "undecided": 0.75 * (1 - share)}
        )
        for query in queries
    )  # fmt: skip


def figure_of(name, study):
    taxa, queries = STUDIES[study]
    return {
        "calibration": lambda: robustness.calibration(summary_of(taxa), ALPHA),
        "stability": lambda: robustness.stability(stability_of(queries)),
        "trajectories": lambda: growth.trajectories(*growth_of(taxa, queries)),
        "adequacy": lambda: robustness.adequacy(rarefaction_of(taxa)),
        "specimens_to_decide": lambda: robustness.specimens_to_decide(needed_of(taxa, queries)),
    }[name]()


FIGURES = ("calibration", "stability", "trajectories", "adequacy", "specimens_to_decide")


@pytest.fixture
def styled():
    with figure_style():
        yield


def texts_of(figure):
    """Texts that show, with where they stand on the canvas."""
    seen = []
    plain = Text.draw

    def draw(text, renderer):
        seen.append(text)
        plain(text, renderer)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", draw)
        figure.savefig(io.BytesIO(), format="svg")
        seen.clear()
        figure.canvas.draw()
    shown = [t for t in dict.fromkeys(seen) if t.get_visible() and t.get_text().strip()]
    return [(text, text.get_window_extent()) for text in shown]


# ---------------------------------------------------------------- legibility


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize("name", FIGURES)
def test_every_word_can_be_read(styled, name, study):
    """Drawn without a warning; no text leaves the canvas or covers another."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = figure_of(name, study)
        found = texts_of(figure)
    canvas = figure.bbox
    for text, box in found:
        left = min(box.x0 - canvas.x0, box.y0 - canvas.y0, canvas.x1 - box.x1, canvas.y1 - box.y1)
        assert left > -TOUCH, text.get_text()
    for (one, a), (other, b) in combinations(found, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= TOUCH or high <= TOUCH, (one.get_text(), other.get_text())
    for axes in figure.axes:
        if axes.axison:
            assert min(axes.get_window_extent().size) / figure.dpi > 0.3


@pytest.mark.parametrize("name", FIGURES)
def test_odd_names_are_text(styled, name):
    told = {text.get_text() for text, _ in texts_of(figure_of(name, "odd names"))}
    joined = " ".join(told)
    wanted = {
        "calibration": ODD, "stability": ["<img src=x>", "a & b $"], "trajectories": ODD,
        "adequacy": ODD, "specimens_to_decide": ["<img src=x>", "a & b $", ODD[0]],
    }[name]  # fmt: skip
    assert all(one in joined for one in wanted)


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (
            lambda: robustness.calibration(summary_of(["a"]).iloc[:0], ALPHA),
            "No known specimen could",
        ),
        (lambda: robustness.stability(stability_of(["q"]).iloc[:0]), "No query takes part"),
        (
            lambda: growth.trajectories(
                growth_of(["a"], ["q"])[0].iloc[:0], *growth_of(["a"], ["q"])[1:]
            ),
            "No query could be held",
        ),
        (lambda: robustness.adequacy(rarefaction_of(["a"]).iloc[:0]), "No taxon has specimens"),
        (
            lambda: robustness.specimens_to_decide(needed_of(["a"], ["q"]).iloc[:0]),
            "No simulations",
        ),
    ],
)
def test_an_empty_table_says_why(styled, made, said):
    (text,) = made().axes[0].texts
    assert text.get_text().startswith(said)


# ---------------------------------------------------------------- what is drawn


def bars_of(axes):
    return [patch for patch in axes.patches if patch.get_width() > 0 and patch.get_height() > 0]


def test_bars_of_calibration_are_the_shares_of_the_table(styled):
    table = summary_of(["ash", "birch"])
    figure = robustness.calibration(table, ALPHA)
    assert len(figure.axes) == 2
    for axes, left_out in zip(figure.axes, ("specimen", "taxon"), strict=True):
        part = table[table["left_out"] == left_out].reset_index(drop=True)
        found = {
            (round(bar.get_y() + bar.get_height() / 2), to_hex(bar.get_facecolor())): bar
            for bar in bars_of(axes)
        }
        for y, row in part.iterrows():
            for verdict in NAMES:
                bar = found[(y, to_hex(VERDICTS[verdict]))]
                assert bar.get_width() == pytest.approx(row[verdict] / row["specimens"])
            ends = [line.get_xdata() for line in axes.lines if np.allclose(line.get_ydata(), y)]
            if np.isnan(row["interval_low"]):
                assert (left_out, row["taxon"]) == ("taxon", "all taxa")
                assert not ends
                continue
            np.testing.assert_allclose(ends[0], [row["interval_low"], row["interval_high"]])
        told = {text.get_text() for text in axes.texts}
        assert {f"{row['outside']} of {row['specimens']}" for _, row in part.iterrows()} <= told
        dashed = [line for line in axes.lines if np.allclose(line.get_xdata(), ALPHA)]
        assert bool(dashed) == (left_out == "specimen")


def test_strips_of_stability_are_the_settings_of_the_table(styled):
    table = stability_of(["find 1", "find 2"])
    figure = robustness.stability(table)
    assert [axes.get_title(loc="left") for axes in figure.axes] == ["find 1", "find 2"]
    for axes, (_, part) in zip(figure.axes, table.groupby("specimen"), strict=True):
        choices = [label.get_text() for label in axes.get_yticklabels()]
        assert choices == list(dict.fromkeys(part["choice"]))
        told = {text.get_position()[1]: text.get_text() for text in axes.texts}
        base = part["verdict"].iloc[0]
        for y, choice in enumerate(choices):
            each = part[part["choice"] == choice]
            colours = [
                to_hex(bar.get_facecolor())
                for bar in sorted(bars_of(axes), key=lambda bar: bar.get_x())
                if round(bar.get_y() + bar.get_height() / 2) == y
            ]
            assert colours == [to_hex(VERDICTS[verdict]) for verdict in each["verdict"]]
            turned = each.loc[each["verdict"] != base, "setting"].tolist()
            if choice == "as analysed":
                assert told[y] == base
                continue
            assert told[y].startswith(f"{len(each) - len(turned)} of {len(each)}")
            assert ("; not: " in told[y]) == bool(turned)
            if turned and len(turned[0]) < 20:
                assert turned[0] in told[y]


def test_members_and_queries_stand_at_their_sizes_and_distances(styled):
    lines, spread, sizes = growth_of(["ash", "birch"], ["find 1", "find 2"])
    figure = growth.trajectories(lines, spread, sizes)
    both = spread[spread["size_heeded"]].merge(sizes, on="specimen")
    for axes, taxon, slope in zip(
        figure.axes, ("ash", "birch"), ("own slope", "shared slope"), strict=True
    ):
        assert axes.get_title(loc="left") == f"{taxon}\n{slope}"
        own = both.loc[both["taxon"] == taxon, ["centroid_size_mm", "comparable_distance"]]
        members, *queries = [np.ma.getdata(marks.get_offsets()) for marks in axes.collections]
        np.testing.assert_allclose(members, own)
        held = lines[lines["taxon"] == taxon]
        expected = np.column_stack([np.exp(held["log_centroid_size"]), held["distance"]])
        np.testing.assert_allclose(np.vstack(queries), expected)
        # sizes that were measured of the taxon are shaded
        assert axes.patches[0].get_width() == pytest.approx(np.ptp(own["centroid_size_mm"]))


def test_errors_are_drawn_against_the_number_of_specimens(styled):
    table = rarefaction_of(["ash"])
    left, right = robustness.adequacy(table).axes
    measured = table.dropna()
    np.testing.assert_allclose(left.lines[0].get_xydata(), measured[["specimens", "mean_error"]])
    beyond = table[table["specimens"] >= 7][["specimens", "mean_error_expected"]]
    np.testing.assert_allclose(left.lines[1].get_xydata(), beyond)
    assert left.lines[1].is_dashed()
    np.testing.assert_allclose(
        right.lines[0].get_xydata(), measured[["specimens", "variance_error"]]
    )


def test_simulations_are_stacked_to_one(styled):
    table = needed_of(["ash"], ["find 1"])
    (axes,) = robustness.specimens_to_decide(table).axes
    heights = {}
    for bar in bars_of(axes):
        heights.setdefault(to_hex(bar.get_facecolor()), {})[round(bar.get_x() + 0.4)] = (
            bar.get_height()
        )
    for verdict in NAMES:
        drawn = heights[to_hex(VERDICTS[verdict])]
        for x, share in enumerate(table[verdict]):
            assert drawn.get(x, 0) == pytest.approx(share)
    ticks = [label.get_text() for label in axes.get_xticklabels()]
    assert ticks == [str(n) for n in table["taxon_specimens"]]
    assert axes.get_xlabel() == "Specimens of ash"


@pytest.mark.parametrize("name", FIGURES)
def test_the_same_bytes_twice(name):
    made = []
    for _ in range(2):
        with figure_style():
            stream = io.BytesIO()
            figure = figure_of(name, "plain")
            hold(figure)
            figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
            made.append(stream.getvalue())
    assert made[0] == made[1]
