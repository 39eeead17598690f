"""Shapes as linked landmarks, seen along the three axes of the bone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure, SubFigure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from morpho.drawing.bone.numbering import place_numbers
from morpho.drawing.style import DOUBLE, GREY, INK, short

__all__ = [
    "VIEWS", "axis_names", "axis_shapes", "bone_frame", "bone_height", "bone_lines", "bone_points",
    "bone_views", "mean_shape",
]  # fmt: skip

Array = NDArray[np.float64]

# Horizontal and vertical axis of each view: face on, below it, and beside it.
VIEWS = ((0, 1), (0, 2), (2, 1))
_LOW, _HIGH = "#1b4f8a", "#d98e04"
# Room around a bone, and the least depth of a view, as shares of its largest extent.
_ROOM, _LEAST = 0.12, 0.16
# Characters in the name of an axis that fit the narrowest view.
_LONGEST_NAME = 12


def bone_points(table: pd.DataFrame) -> tuple[Array, list[str]]:
    """Coordinates and names of the points of a table.

    Parameters
    ----------
    table : DataFrame
        With `landmark`, `x`, `y`, `z`.

    Returns
    -------
    points : ndarray of shape (n_points, 3)
    names : list of str
    """
    return table[["x", "y", "z"]].to_numpy(dtype=float), table["landmark"].tolist()


def bone_lines(
    axes: Axes, points: Array, names: list[str], links: Sequence, view: tuple, **style: Any
) -> None:
    """Draw the links of a bone in one view.

    Parameters
    ----------
    axes : Axes
    points : ndarray of shape (n_points, 3)
    names : list of str
    links : sequence of pairs of str
    view : tuple of int
        Horizontal and vertical coordinate.
    **style : Any
        Passed to the lines.
    """
    place = {name: points[i, list(view)] for i, name in enumerate(names)}
    segments = [[place[a], place[b]] for a, b in links if a in place and b in place]
    axes.add_collection(LineCollection(segments, zorder=1, **style))


def bone_frame(shapes: Sequence[Array]) -> tuple[Array, Array]:
    """Lower and upper corner of a box that holds all shapes, with room around them.

    Parameters
    ----------
    shapes : sequence of ndarray of shape (n_points, 3)

    Returns
    -------
    low, high : ndarray of shape (3,)
    """
    points = np.concatenate(shapes)
    low, high = points.min(axis=0), points.max(axis=0)
    largest = float((high - low).max())
    lacking = np.maximum(_LEAST * largest - (high - low), 0) / 2
    return low - lacking - _ROOM * largest / 2, high + lacking + _ROOM * largest / 2


def axis_names(figure: Figure, towards: Sequence[str]) -> list[str]:
    """Names of the axes; letters with a key above the figure where a narrow view has no room.

    Parameters
    ----------
    figure : Figure
        Gets the key.
    towards : sequence of str
        What the axes point towards.

    Returns
    -------
    list of str
    """
    if max(map(len, towards)) <= _LONGEST_NAME:
        return list(towards)
    letters = ["x", "y", "z"]
    key = [f"{letter}: {short(name, 40)}" for letter, name in zip(letters, towards, strict=True)]
    figure.suptitle("    ".join(key), fontsize=7.5)
    return letters


def bone_views(
    figure: Figure | SubFigure, frame: tuple[Array, Array], towards: Sequence[str]
) -> list[Axes]:
    """Three views on one scale: the lower one shares the width, the right one the height.

    Parameters
    ----------
    figure : Figure or SubFigure
    frame : tuple of ndarray
        From `bone_frame`.
    towards : sequence of str
        What the axes point towards.

    Returns
    -------
    list of Axes
        In the order of `VIEWS`.
    """
    spans = frame[1] - frame[0]
    grid = figure.add_gridspec(
        2, 2, width_ratios=[spans[0], spans[2]], height_ratios=[spans[1], spans[2]]
    )
    panels = [figure.add_subplot(grid[place]) for place in ((0, 0), (1, 0), (0, 1))]
    for axes, view in zip(panels, VIEWS, strict=True):
        axes.set_xlim(frame[0][view[0]], frame[1][view[0]])
        axes.set_ylim(frame[0][view[1]], frame[1][view[1]])
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_xlabel(f"{towards[view[0]]} →", loc="right")
        # a name longer than its view is high reaches into the gap between views
        axes.set_ylabel(f"{towards[view[1]]} →", loc="bottom" if axes is panels[1] else "top")
    return panels


def _parts(figure: Figure, rows: int, columns: int, **ratios: Any) -> list[SubFigure]:
    return list(np.ravel(np.asarray(figure.subfigures(rows, columns, squeeze=False, **ratios))))


def bone_height(frame: tuple[Array, Array], width: float) -> float:
    """Height in inches at which the three views fill a width, within reason.

    Parameters
    ----------
    frame : tuple of ndarray
        From `bone_frame`.
    width : float
        In inches.

    Returns
    -------
    float
    """
    spans = frame[1] - frame[0]
    return float(np.clip(width * (spans[1] + spans[2]) / (spans[0] + spans[2]), 1.8, 4.5)) + 0.5


def mean_shape(table: pd.DataFrame, links: Sequence, towards: Sequence[str]) -> Figure:
    """Draw the mean shape of the known specimens in three views, landmarks numbered.

    Parameters
    ----------
    table : DataFrame
        The table `mean_shape`.
    links : sequence of pairs of str
        Landmarks joined by lines.
    towards : sequence of str
        What the x, y and z axes point towards.

    Returns
    -------
    Figure
    """
    points, names = bone_points(table)
    numbered = [i for i, kind in enumerate(table["kind"]) if kind == "landmark"]
    frame = bone_frame([points])
    rows = -(-len(numbered) // 3)
    tall, key_height = bone_height(frame, 0.85 * DOUBLE), 0.14 * rows + 0.1
    figure = plt.figure(figsize=(DOUBLE, tall + key_height))
    towards = axis_names(figure, towards)
    upper, lower = _parts(figure, 2, 1, height_ratios=[tall, key_height])
    panels: list[Axes] = []
    for axes, view in zip(bone_views(upper, frame, towards), VIEWS, strict=True):
        bone_lines(axes, points, names, links, view, colors=GREY, linewidths=1)
        axes.scatter(points[:, view[0]], points[:, view[1]], s=4, color=GREY, zorder=2)
        marked = points[numbered][:, list(view)]
        axes.scatter(marked[:, 0], marked[:, 1], s=14, color=INK, zorder=3)
        panels.append(axes)
    key = lower.add_subplot()
    key.axis("off")
    for number, i in enumerate(numbered, start=1):
        name = names[i]
        column, row = divmod(number - 1, rows)
        at = (0.02 + column / 3, 1 - (row + 0.5) / rows)
        key.text(*at, f"{number}  {short(name, 34)}", transform=key.transAxes, fontsize=6.5,
                 va="center")  # fmt: skip
    place_numbers(panels[0], points[:, list(VIEWS[0])], numbered)
    return figure


def axis_shapes(
    mean: pd.DataFrame,
    ends: pd.DataFrame,
    links: Sequence,
    towards: Sequence[str],
    *,
    magnify: float = 1.0,
) -> Figure:
    """Draw the shapes at both ends of each axis over the mean, in three views.

    Parameters
    ----------
    mean : DataFrame
        The table `mean_shape`.
    ends : DataFrame
        The table `axis_shapes`.
    links : sequence of pairs of str
    towards : sequence of str
    magnify : float
        Factor by which differences from the mean are drawn larger.

    Returns
    -------
    Figure
    """
    middle, names = bone_points(mean)
    axes_drawn = sorted(set(ends["axis"]))
    shapes = {
        (axis, end): middle + magnify * (bone_points(part)[0] - middle)
        for (axis, end), part in ends.groupby(["axis", "end"])
    }
    frame = bone_frame([middle, *shapes.values()])
    width = DOUBLE / len(axes_drawn)
    figure = plt.figure(figsize=(DOUBLE, bone_height(frame, width) + 0.4))
    towards = axis_names(figure, towards)
    parts = _parts(figure, 1, len(axes_drawn))
    for part, axis in zip(parts, axes_drawn, strict=True):
        part.suptitle(f"Axis {axis}", x=0.06, ha="left", fontsize=8.5)
        for panel, view in zip(bone_views(part, frame, towards), VIEWS, strict=True):
            bone_lines(panel, middle, names, links, view, colors=GREY, linewidths=0.8)
            for end, color, style in (("low", _LOW, "--"), ("high", _HIGH, "-")):
                points = shapes[axis, end]
                look = {"colors": color, "linewidths": 1.1, "linestyles": style}
                bone_lines(panel, points, names, links, view, **look)
                panel.scatter(points[:, view[0]], points[:, view[1]], s=6, color=color, zorder=3)
    handles = [
        Line2D([], [], color=_LOW, linestyle="--", label="lowest score of a known specimen"),
        Line2D([], [], color=_HIGH, label="highest score of a known specimen"),
        Line2D([], [], color=GREY, label="mean"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3)
    return figure
