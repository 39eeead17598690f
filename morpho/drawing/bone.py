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

from morpho.drawing.style import DOUBLE, GREY, INK, short

__all__ = ["axis_shapes", "mean_shape"]

Array = NDArray[np.float64]

# Horizontal and vertical axis of each view: face on, below it, and beside it.
_VIEWS = ((0, 1), (0, 2), (2, 1))
_LOW, _HIGH = "#1b4f8a", "#d98e04"
# Room around a bone, and the least depth of a view, as shares of its largest extent.
_ROOM, _LEAST = 0.12, 0.16


def _points(table: pd.DataFrame) -> tuple[Array, list[str]]:
    return table[["x", "y", "z"]].to_numpy(dtype=float), table["landmark"].tolist()


def _lines(
    axes: Axes, points: Array, names: list[str], links: Sequence, view: tuple, **style: Any
) -> None:
    place = {name: points[i, list(view)] for i, name in enumerate(names)}
    segments = [[place[a], place[b]] for a, b in links if a in place and b in place]
    axes.add_collection(LineCollection(segments, zorder=1, **style))


def _frame(shapes: Sequence[Array]) -> tuple[Array, Array]:
    """Lower and upper corner of a box that holds all shapes, with room around them."""
    points = np.concatenate(shapes)
    low, high = points.min(axis=0), points.max(axis=0)
    largest = float((high - low).max())
    lacking = np.maximum(_LEAST * largest - (high - low), 0) / 2
    return low - lacking - _ROOM * largest / 2, high + lacking + _ROOM * largest / 2


def _views(
    figure: Figure | SubFigure, frame: tuple[Array, Array], towards: Sequence[str]
) -> list[Axes]:
    """Three views on one scale: the lower one shares the width, the right one the height."""
    spans = frame[1] - frame[0]
    grid = figure.add_gridspec(
        2, 2, width_ratios=[spans[0], spans[2]], height_ratios=[spans[1], spans[2]]
    )
    panels = [figure.add_subplot(grid[place]) for place in ((0, 0), (1, 0), (0, 1))]
    for axes, view in zip(panels, _VIEWS, strict=True):
        axes.set_xlim(frame[0][view[0]], frame[1][view[0]])
        axes.set_ylim(frame[0][view[1]], frame[1][view[1]])
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_xlabel(f"{towards[view[0]]} →", loc="right")
        axes.set_ylabel(f"{towards[view[1]]} →", loc="top")
    return panels


def _parts(figure: Figure, rows: int, columns: int, **ratios: Any) -> list[SubFigure]:
    return list(np.ravel(np.asarray(figure.subfigures(rows, columns, squeeze=False, **ratios))))


def _height(frame: tuple[Array, Array], width: float) -> float:
    """Height in inches at which the three views fill a width, within reason."""
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
    points, names = _points(table)
    frame = _frame([points])
    rows = -(-len(names) // 3)
    tall, key_height = _height(frame, 0.85 * DOUBLE), 0.14 * rows + 0.1
    figure = plt.figure(figsize=(DOUBLE, tall + key_height))
    upper, lower = _parts(figure, 2, 1, height_ratios=[tall, key_height])
    for axes, view in zip(_views(upper, frame, towards), _VIEWS, strict=True):
        _lines(axes, points, names, links, view, colors=GREY, linewidths=1)
        axes.scatter(points[:, view[0]], points[:, view[1]], s=14, color=INK, zorder=2)
        if view != _VIEWS[0]:
            continue
        for number, point in enumerate(points[:, list(view)], start=1):
            axes.annotate(
                str(number), point, xytext=(3, 3), textcoords="offset points", fontsize=6.5
            )
    key = lower.add_subplot()
    key.axis("off")
    for number, name in enumerate(names, start=1):
        column, row = divmod(number - 1, rows)
        at = (0.02 + column / 3, 1 - (row + 0.5) / rows)
        key.text(*at, f"{number}  {short(name, 34)}", transform=key.transAxes, fontsize=6.5,
                 va="center")  # fmt: skip
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
    middle, names = _points(mean)
    axes_drawn = sorted(set(ends["axis"]))
    shapes = {
        (axis, end): middle + magnify * (_points(part)[0] - middle)
        for (axis, end), part in ends.groupby(["axis", "end"])
    }
    frame = _frame([middle, *shapes.values()])
    width = DOUBLE / len(axes_drawn)
    figure = plt.figure(figsize=(DOUBLE, _height(frame, width) + 0.4))
    parts = _parts(figure, 1, len(axes_drawn))
    for part, axis in zip(parts, axes_drawn, strict=True):
        part.suptitle(f"Axis {axis}", x=0.06, ha="left", fontsize=8.5)
        for panel, view in zip(_views(part, frame, towards), _VIEWS, strict=True):
            _lines(panel, middle, names, links, view, colors=GREY, linewidths=0.8)
            for end, color, style in (("low", _LOW, "--"), ("high", _HIGH, "-")):
                points = shapes[axis, end]
                look = {"colors": color, "linewidths": 1.1, "linestyles": style}
                _lines(panel, points, names, links, view, **look)
                panel.scatter(points[:, view[0]], points[:, view[1]], s=6, color=color, zorder=3)
    handles = [
        Line2D([], [], color=_LOW, linestyle="--", label="lowest score of a known specimen"),
        Line2D([], [], color=_HIGH, label="highest score of a known specimen"),
        Line2D([], [], color=GREY, label="mean"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3)
    return figure
