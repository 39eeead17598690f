"""Where does it differ, and by how much? On the bone; landmarks, regions, distances in order."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from morpho.drawing.bone.arrows import arrow_key, arrows, number_points
from morpho.drawing.bone.surface_view import surface_view
from morpho.drawing.bone.views import (
    axis_names,
    bone_dots,
    bone_frame,
    bone_height,
    bone_lines,
    bone_points,
    bone_views,
    scale_bar,
)
from morpho.drawing.lettering import fit_names, fitted, p_words
from morpho.drawing.style import DOUBLE, GREY, INK, QUERY, message_where, short

__all__ = ["displacement_ranking", "heat", "regions", "vectors"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Landmarks that are named on the bone, and those that are ranked at most.
_NAMED, _MOST = 5, 15
# What is expected: light, so that it is told from the query's colour without colours too.
_EXPECTED = "#d5d8db"
_HOW = {False: "As it is", True: "At its own size (growth heeded)"}
_NOTHING = "No displacements are known: the query was held against no taxon."
# Room of a row of the key, and of names beside rows at most, in inches.
_ROW, _NAMES = 0.15, 2.8
# Letters of a direction at most; and its numbers, which have a column of their own.
_WAY = 44
_NUMBER = re.compile(r"(?<![^ ])[\d.e+-]+ mm ")


def _single(table: pd.DataFrame) -> tuple[str, str, bool]:
    """The one query of a table, the taxon it is held against, and how."""
    found = table[["query", "taxon", "size_heeded"]].drop_duplicates()
    if len(found) > 1:
        raise ValueError(
            "A figure of differences is drawn of one query, one taxon and one way of heeding "
            f"size, but the table holds {len(found)}: {found.to_numpy().tolist()}."
        )
    row = found.iloc[0]
    return str(row["query"]), str(row["taxon"]), bool(row["size_heeded"])


def _title(part: Figure | SubFigure, table: pd.DataFrame, more: str = "") -> None:
    query, taxon, heeded = _single(table)
    title = part.suptitle(" ", x=0.02, ha="left", fontsize=8.5)
    fit_names(
        title,
        lambda n: f"{short(query, n)} held against {short(taxon, n)}\n{_HOW[heeded]}{more}",
        max(len(query), len(taxon)),
        part.bbox.width,
    )


def _told(table: pd.DataFrame) -> list[str]:
    """What is told behind the name of a landmark."""
    both = table["other_side"] != ""
    return [
        f"{' (both sides)' if two else ''}{' (estimated)' if estimated else ''}"
        for two, estimated in zip(both, table["estimated"], strict=True)
    ]


def _nothing(p: pd.Series, alpha: float) -> str:
    """For the title: that nothing passes the adjustment."""
    return "" if (p <= alpha).any() else f"\nNone beyond false-discovery control at {alpha:g}"


def _key(
    figure: Figure, part: SubFigure, named: pd.DataFrame, taxon: str, alpha: float, estimated: bool
) -> None:
    """Names of the numbered points on the left, the meaning of marks on the right."""
    left, right = part.subplots(1, 2, width_ratios=[0.55, 0.45])
    left.axis("off")
    right.axis("off")
    look: Any = {"transform": left.transAxes, "va": "center", "fontsize": 6.5}
    rows = _NAMED + 1
    told = _told(named)
    names = fitted(figure, named["landmark"].tolist(), 40, 0.7 * 0.55 * DOUBLE, told)
    for x, word in ((0.05, "Largest differences"), (0.78, "mm"), (0.98, "× usual")):
        left.text(x, 1 - 0.5 / rows, word, ha="left" if x < 0.1 else "right", color=INK,
                  weight="bold", **look)  # fmt: skip
    for number, row in enumerate(named.to_dict("records"), start=1):
        y = 1 - (number + 0.5) / rows
        left.text(0.03, y, str(number), ha="right", **look)
        left.text(0.05, y, names[number - 1], **look)
        left.text(0.78, y, f"{row['displacement_mm']:.2f}", ha="right", **look)
        left.text(0.98, y, f"{row['in_taxon_sd']:.1f}", ha="right", **look)
    arrow_key(right, taxon, alpha, estimated)


@message_where(lambda table: table.empty, _NOTHING)
def vectors(
    table: pd.DataFrame,
    outline: Sequence,
    towards: Sequence[str],
    alpha: float,
    exaggeration: float = 1.0,
) -> Figure:
    """Draw arrows from a taxon's predicted shape to the places of a query, in three views.

    A row is a landmark or semilandmark: `x`, `y`, `z` is its predicted place in mm at the size of
    the query, `x_mm`, `y_mm`, `z_mm` the vector from there to the query's. Those not `counted` are
    drawn, but not named. The title says where arrows are drawn longer.
    """
    if not exaggeration > 0:
        raise ValueError(f"`exaggeration` must be above 0, but is {exaggeration}.")
    _, taxon, _ = _single(table)
    table = table.sort_values("in_taxon_sd", ascending=False, kind="stable", ignore_index=True)
    points, names = bone_points(table)
    moved = exaggeration * table[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float)
    significant = (table["p_value_false_discovery"] <= alpha).to_numpy()
    estimated = table["estimated"].to_numpy(dtype=bool)
    proper = (table["kind"] == "landmark").to_numpy()
    low, high = bone_frame([points, points + moved])
    low[1] -= 0.06 * float((high - low).max())  # for the scale bar
    nothing = _nothing(table["p_value_false_discovery"], alpha)
    tall = bone_height((low, high), 0.85 * DOUBLE) + (0.5 if nothing else 0.35)
    key = _ROW * (_NAMED + 1) + 0.15
    figure = plt.figure(figsize=(DOUBLE, tall + key))
    towards = axis_names(figure, towards)
    upper, lower = figure.subfigures(2, 1, height_ratios=[tall, key], squeeze=False)[:, 0]
    longer = "" if exaggeration == 1 else f"; arrows are drawn {exaggeration:g} times as long"
    _title(upper, table, longer + nothing)
    named = (table["in_taxon_sd"].notna() & table["counted"]).to_numpy().nonzero()[0][:_NAMED]
    _key(figure, lower, table.iloc[named], taxon, alpha, bool(estimated.any()))
    panels = bone_views(upper, (low, high), towards)
    for axes, view in panels:
        bone_lines(axes, points, names, outline, view, colors=GREY, linewidths=0.8)
        size = np.where(proper, 9, 2)
        bone_dots(axes, points, view, s=size, color=GREY, linewidth=0, zorder=2)
        arrows(axes, points[:, view], moved[:, view], significant, estimated)
    scale_bar(panels[0][0], (low, high), 0.02)
    figure.draw_without_rendering()
    for axes, view in panels:
        number_points(axes, points[:, view], (points + moved)[:, view], named)
    return figure


def _columns(axes: Axes, words: Mapping[str, Sequence[str]], bold: Mask) -> None:
    """Columns of words at the right of rows, each with a heading above the first row.

    They stand outside the axes, where no mark can reach them.
    """
    at = 0.0
    for heading, column in words.items():
        at += 7 * max(5, len(heading), *map(len, column)) * 0.62
        for row, word in enumerate([heading, *column], start=-1):
            chosen = row >= 0 and bold[row]
            axes.annotate(
                word, (1, row), xycoords=axes.get_yaxis_transform(), xytext=(at, 0),
                textcoords="offset points", ha="right", va="center", fontsize=6.5,
                color=QUERY if chosen else INK, weight="bold" if row < 0 or chosen else "normal",
            )  # fmt: skip


def _ranked(table: pd.DataFrame) -> pd.DataFrame:
    """Landmarks alone, and one of each pair of mirror images."""
    return table[(table["kind"] == "landmark") & table["counted"]] if len(table) else table


@message_where(lambda table: _ranked(table).empty, _NOTHING)
def displacement_ranking(table: pd.DataFrame, alpha: float) -> Figure:
    """Draw the landmarks that differ most, by the least-squares and by the resistant fit."""
    part = _ranked(table)
    _single(part)
    whole, nothing = len(part), _nothing(part["p_value_false_discovery"], alpha)
    part = part.sort_values("in_taxon_sd", ascending=False, kind="stable").head(_MOST)
    rows = np.arange(len(part))
    significant = (part["p_value_false_discovery"] <= alpha).to_numpy()
    colours = [QUERY if one else GREY for one in significant]
    usual, firm = part["in_taxon_sd"], part["resistant_in_taxon_sd"]
    figure, axes = plt.subplots(figsize=(DOUBLE, 0.17 * len(part) + (1.5 if nothing else 1.35)))
    counts = f"; {len(part)} of {whole} landmarks" if len(part) < whole else ""
    _title(figure, part, counts + nothing)
    axes.hlines(rows, 0, np.fmax(usual, firm), color=GREY, lw=0.4, zorder=0)
    axes.hlines(rows, usual, firm, color=colours, lw=1.6, zorder=1)
    axes.scatter(usual, rows, s=26, c=colours, zorder=3)
    axes.scatter(firm, rows, s=22, marker="D", facecolor="white", edgecolor=colours, zorder=2)
    axes.axvline(1, color=INK, lw=0.7, ls=(0, (4, 2)), zorder=0)
    names = fitted(figure, part["landmark"].tolist(), 40, _NAMES, _told(part))
    axes.set_yticks(rows, names)
    axes.set_ylim(len(part) - 0.5, -0.6)
    axes.set_xlim(0, 1.06 * max(1.0, float(np.nanmax([usual, firm, 0 * usual]))))
    axes.set_xlabel("Displacement as a multiple of\nthe usual one within taxa (dashed: 1)")
    words = {
        "mm": [f"{mm:.2f}" for mm in part["displacement_mm"]],
        "p, adjusted": [p_words(p) for p in part["p_value_false_discovery"]],
        "lies": [short(_NUMBER.sub("", str(way)), _WAY) for way in part["direction"]],
    }
    _columns(axes, words, significant)
    dot: Any = {"color": "none", "markeredgecolor": INK, "ms": 5}
    figure.legend(
        handles=[
            Line2D([], [], marker="o", markerfacecolor=INK, label="least-squares fit", **dot),
            Line2D([], [], marker="D", markerfacecolor="white", label="resistant fit", **dot),
            Line2D([], [], color=QUERY, lw=3, label=f"p ≤ {alpha:g}, adjusted"),
            Line2D([], [], color=GREY, lw=3, label=f"p > {alpha:g}"),
        ],
        loc="outside lower center",
        ncols=4,
    )
    return figure


@message_where(
    lambda table: table.empty, "No region is known: the scheme of the element names no modules."
)
def regions(table: pd.DataFrame) -> Figure:
    """Draw the share of each region in the difference beside the share expected of it."""
    query, _, _ = _single(table)
    rows = np.arange(len(table))
    figure, axes = plt.subplots(figsize=(DOUBLE, 0.36 * len(table) + 1.35))
    _title(figure, table)
    looks: tuple[tuple[float, str, Any], ...] = (
        (-0.18, "share_of_displacement", {"color": QUERY}),
        (0.18, "share_expected", {"facecolor": _EXPECTED, "edgecolor": INK, "linewidth": 0.5}),
    )
    for shift, column, look in looks:
        axes.barh(rows + shift, table[column], height=0.34, **look)
    names = fitted(figure, table["region"].tolist(), 40, _NAMES)
    counts = ["1 point" if n == 1 else f"{n} points" for n in table["points"]]
    axes.set_yticks(rows, [f"{name}\n{n}" for name, n in zip(names, counts, strict=True)])
    axes.set_ylim(len(table) - 0.5, -0.6)
    axes.set_xlim(left=0)
    axes.xaxis.set_major_formatter(lambda share, _: f"{100 * share:g} %")
    axes.set_xlabel("Share of the squared displacement of all points")
    words = {
        "mm (RMS)": [f"{mm:.2f}" for mm in table["root_mean_square_mm"]],
        "p, adjusted": [p_words(p) for p in table["share_p_value_false_discovery"]],
    }
    _columns(axes, words, np.zeros(len(table), dtype=bool))
    figure.legend(
        handles=[
            Patch(color=QUERY, label=short(query)),
            Patch(facecolor=_EXPECTED, edgecolor=INK, lw=0.5, label="expected of a member"),
        ],
        loc="outside lower center",
        ncols=2,
    )
    return figure


def _of_query(surfaces: Mapping[str, Any], specimen: str) -> list[int]:
    """Places of the surfaces of a query."""
    return [i for i, name in enumerate(surfaces["query"].tolist()) if name == specimen]


@message_where(
    lambda surfaces, specimen: not _of_query(surfaces, specimen),
    "There is no scan of the query that could be coloured.",
)
def heat(surfaces: Mapping[str, Any], specimen: str, taxon: str, towards: Sequence[str]) -> Figure:
    """Draw the scan of a query, coloured by how far it stands out beyond its nearest taxon."""
    (place,) = _of_query(surfaces, specimen)
    size = " at its own size, in mm" if surfaces["size_heeded"][place] else ", in mm"
    return surface_view(
        surfaces[f"vertices_{place}"].astype(float),
        surfaces[f"faces_{place}"].astype(int),
        towards,
        values=surfaces[f"beyond_{place}"].astype(float),
        limit=float(surfaces["limit"][place]),
        within=surfaces[f"within_{place}"],
        label=f"{specimen} beyond the mean of {taxon}{size}",
    )
