"""How do shapes vary? The shape space, its axes, and the mean shape in its middle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Polygon
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError
from scipy.special import fdtri

from morpho.drawing.bone.numbering import place_numbers
from morpho.drawing.bone.views import (
    axis_names,
    bone_dots,
    bone_frame,
    bone_height,
    bone_lines,
    bone_points,
    bone_views,
)
from morpho.drawing.style import (
    DOUBLE,
    GREY,
    INK,
    label_queries,
    legend,
    message_where,
    query_marks,
    short,
    taxon_marks,
)

__all__ = ["axis_shapes", "mean_shape", "scatter", "shape_space", "variance"]

_LOW, _HIGH = "#1b4f8a", "#d98e04"


def _outline(axes: Axes, points: NDArray[np.float64], kind: str, color: str) -> None:
    """Draw a hull around points, or the ellipse that would hold 95 % of new ones.

    The ellipse is the prediction region of a bivariate normal sample: squared
    Mahalanobis distance up to 2 (n + 1)(n - 1) / (n (n - 2)) F(0.95; 2, n - 2).
    Fewer than four points get a hull, fewer than three nothing.
    """
    n = len(points)
    style: dict[str, Any] = {
        "edgecolor": color, "linewidth": 0.9, "zorder": 1, "facecolor": (*to_rgb(color), 0.10),
    }  # fmt: skip
    if kind == "ellipses" and n >= 4:
        values, vectors = np.linalg.eigh(np.cov(points.T))
        reach = 2 * (n + 1) * (n - 1) / (n * (n - 2)) * fdtri(2, n - 2, 0.95)
        width, height = 2 * np.sqrt(np.maximum(values, 0) * reach)
        angle = np.degrees(np.arctan2(vectors[1, 0], vectors[0, 0]))
        middle = tuple(points.mean(axis=0))
        axes.add_patch(Ellipse(middle, width, height, angle=angle, **style))
        return
    if n < 3:
        return
    try:
        corners = points[ConvexHull(points).vertices]
    except QhullError:  # all on a line
        return
    axes.add_patch(Polygon(corners, closed=True, **style))


def scatter(
    axes: Axes, known: pd.DataFrame, queries: pd.DataFrame, x: str, y: str, outlines: str
) -> None:
    """Draw known specimens with the outline of each taxon, and queries upon them."""
    for taxon, mark in taxon_marks(known["taxon"].tolist()).items():
        points = known.loc[known["taxon"] == taxon, [x, y]].to_numpy(dtype=float)
        _outline(axes, points, outlines, mark["color"])
        look = {"s": 16, "linewidth": 0.4, "edgecolor": "white", "zorder": 3, **mark}
        axes.scatter(points[:, 0], points[:, 1], **look)
    marks = query_marks(queries["specimen"].tolist())
    for row in queries.to_dict("records"):
        axes.scatter(row[x], row[y], **marks[row["specimen"]])
    axes.margins(0.08)


def _panel(
    axes: Axes, known: pd.DataFrame, queries: pd.DataFrame, x: str, y: str, outlines: str
) -> None:
    scatter(axes, known, queries, x, y, outlines)
    axes.axhline(0, color=GREY, linewidth=0.4, zorder=0)
    axes.axvline(0, color=GREY, linewidth=0.4, zorder=0)
    axes.set_aspect("equal", adjustable="datalim")
    axes.autoscale_view()
    axes.xaxis.set_major_locator(MaxNLocator(5))


@message_where(
    lambda scores: "axis_2" not in scores,
    "Shape varies along one axis only: there is no plane to draw.",
)
def shape_space(scores: pd.DataFrame, variance: pd.DataFrame, outlines: str = "hulls") -> Figure:
    """Draw the first axes of shape space: 1 against 2, and 1 against 3 where there is one."""
    pairs = [(a, b) for a, b in ((1, 2), (1, 3)) if f"axis_{b}" in scores]
    share = variance.set_index("axis")["share_of_variance"]
    figure, panels = plt.subplots(1, len(pairs), figsize=(DOUBLE, DOUBLE * 0.5), squeeze=False)
    known, queries = scores[scores["role"] == "known"], scores[scores["role"] == "query"]
    for axes, (a, b) in zip(panels[0], pairs, strict=True):
        _panel(axes, known, queries, f"axis_{a}", f"axis_{b}", outlines)
        axes.set_xlabel(f"Axis {a} ({share[a]:.1%} of variance)")
        axes.set_ylabel(f"Axis {b} ({share[b]:.1%} of variance)")
    legend(figure, known["taxon"].tolist(), queries["specimen"].tolist())
    for axes, (a, b) in zip(panels[0], pairs, strict=True):
        label_queries(axes, queries, f"axis_{a}", f"axis_{b}")
    return figure


def variance(table: pd.DataFrame) -> Figure:
    """Draw the share of variance of each axis, and what the rule for keeping it asks."""
    table = table.head(20)
    figure, axes = plt.subplots(figsize=(DOUBLE, 2.4))
    kept = table["retained"]
    for chosen, color, label in ((kept, "#1b4f8a", "retained"), (~kept, GREY, "not retained")):
        if chosen.any():
            part = table[chosen]
            axes.bar(part["axis"], 100 * part["share_of_variance"], color=color, label=label)
    if table["share_expected"].notna().any():
        axes.plot(
            table["axis"], 100 * table["share_expected"], color="#d98e04", marker="_",
            markersize=7, linewidth=1, label="expected without relations between variables",
        )  # fmt: skip
    axes.set_xticks(table["axis"])
    axes.set_xlabel("Axis of shape space")
    axes.set_ylabel("Share of variance (%)")
    figure.legend(loc="outside lower center", ncols=3)
    return figure


def mean_shape(table: pd.DataFrame, outline: Sequence, towards: Sequence[str]) -> Figure:
    """Draw the mean shape of the known specimens in three views, landmarks numbered."""
    points, names = bone_points(table)
    numbered = [i for i, kind in enumerate(table["kind"]) if kind == "landmark"]
    frame = bone_frame([points])
    rows = -(-len(numbered) // 3)
    tall, key_height = bone_height(frame, 0.85 * DOUBLE), 0.14 * rows + 0.1
    figure = plt.figure(figsize=(DOUBLE, tall + key_height))
    towards = axis_names(figure, towards)
    upper, lower = figure.subfigures(2, 1, height_ratios=[tall, key_height], squeeze=False)[:, 0]
    panels = bone_views(upper, frame, towards)
    for axes, view in panels:
        bone_lines(axes, points, names, outline, view, colors=GREY, linewidths=1)
        bone_dots(axes, points, view, s=4, color=GREY, zorder=2)
        bone_dots(axes, points[numbered], view, s=14, color=INK, zorder=3)
    key = lower.add_subplot()
    key.axis("off")
    for number, i in enumerate(numbered, start=1):
        column, row = divmod(number - 1, rows)
        at = (0.02 + column / 3, 1 - (row + 0.5) / rows)
        key.text(*at, f"{number}  {short(names[i], 34)}", transform=key.transAxes, fontsize=6.5,
                 va="center")  # fmt: skip
    axes, view = panels[0]
    place_numbers(axes, points[:, view], numbered)
    return figure


def axis_shapes(
    ends: pd.DataFrame,
    mean: pd.DataFrame,
    outline: Sequence,
    towards: Sequence[str],
    exaggeration: float = 1.0,
) -> Figure:
    """Draw the shapes at both ends of each axis over the mean, in three views."""
    middle, names = bone_points(mean)
    axes_drawn = sorted(set(ends["axis"]))
    shapes = {
        (axis, end): middle + exaggeration * (bone_points(part)[0] - middle)
        for (axis, end), part in ends.groupby(["axis", "end"])
    }
    frame = bone_frame([middle, *shapes.values()])
    width = DOUBLE / len(axes_drawn)
    figure = plt.figure(figsize=(DOUBLE, bone_height(frame, width) + 0.4))
    towards = axis_names(figure, towards)
    parts = figure.subfigures(1, len(axes_drawn), squeeze=False)[0]
    for part, axis in zip(parts, axes_drawn, strict=True):
        part.suptitle(f"Axis {axis}", x=0.06, ha="left", fontsize=8.5)
        for panel, view in bone_views(part, frame, towards):
            bone_lines(panel, middle, names, outline, view, colors=GREY, linewidths=0.8)
            for end, color, style in (("low", _LOW, "--"), ("high", _HIGH, "-")):
                points = shapes[axis, end]
                look = {"colors": color, "linewidths": 1.1, "linestyles": style}
                bone_lines(panel, points, names, outline, view, **look)
                bone_dots(panel, points, view, s=6, color=color, zorder=3)
    handles = [
        Line2D([], [], color=_LOW, linestyle="--", label="lowest score of a known specimen"),
        Line2D([], [], color=_HIGH, label="highest score of a known specimen"),
        Line2D([], [], color=GREY, label="mean"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3)
    return figure
