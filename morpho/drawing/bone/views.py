"""Shapes as linked landmarks, seen along the three axes of the bone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure, SubFigure
from numpy.typing import NDArray

from morpho.drawing.style import INK, short

__all__ = [
    "VIEWS", "axis_names", "bone_dots", "bone_frame", "bone_height", "bone_lines", "bone_points",
    "bone_views", "scale_bar",
]  # fmt: skip

Array = NDArray[np.float64]

# Horizontal and vertical axis of each view: face on, below it, and beside it.
VIEWS = ([0, 1], [0, 2], [2, 1])
# Room around a bone, and the least depth of a view, as shares of its largest extent.
_ROOM, _LEAST = 0.12, 0.16
# Characters in the name of an axis that fit the narrowest view.
_LONGEST_NAME = 12


def bone_points(table: pd.DataFrame) -> tuple[Array, list[str]]:
    """Coordinates and names of the points of a table."""
    return table[["x", "y", "z"]].to_numpy(dtype=float), table["landmark"].tolist()


def bone_lines(
    axes: Axes, points: Array, names: list[str], outline: Sequence, view: list[int], **style: Any
) -> None:
    """Draw the lines of a bone in one view, its horizontal and its vertical coordinate."""
    place = dict(zip(names, points[:, view], strict=True))
    segments = [[place[a], place[b]] for a, b in outline if a in place and b in place]
    axes.add_collection(LineCollection(segments, zorder=1, **style))


def bone_dots(axes: Axes, points: Array, view: list[int], **style: Any) -> None:
    """Draw points of a bone in one view."""
    x, y = points[:, view].T
    axes.scatter(x, y, **style)


def bone_frame(shapes: Sequence[Array]) -> tuple[Array, Array]:
    """Lower and upper corner of a box that holds all shapes, with room around them."""
    points = np.concatenate(shapes)
    low, high = points.min(axis=0), points.max(axis=0)
    largest = float((high - low).max())
    lacking = np.maximum(_LEAST * largest - (high - low), 0) / 2
    return low - lacking - _ROOM * largest / 2, high + lacking + _ROOM * largest / 2


def axis_names(figure: Figure, towards: Sequence[str]) -> list[str]:
    """Names of the axes; letters with a key above the figure where a narrow view has no room."""
    if max(map(len, towards)) <= _LONGEST_NAME:
        return list(towards)
    letters = ["x", "y", "z"]
    key = [f"{letter}: {short(name, 40)}" for letter, name in zip(letters, towards, strict=True)]
    figure.suptitle("    ".join(key), fontsize=7.5)
    return letters


def bone_views(
    figure: Figure | SubFigure, frame: tuple[Array, Array], towards: Sequence[str]
) -> list[tuple[Axes, list[int]]]:
    """Three views on one scale: the lower one shares the width, the right one the height."""
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
    return list(zip(panels, VIEWS, strict=True))


def bone_height(frame: tuple[Array, Array], width: float) -> float:
    """Height at which the three views fill a width, within reason; both in inches."""
    spans = frame[1] - frame[0]
    return float(np.clip(width * (spans[1] + spans[2]) / (spans[0] + spans[2]), 1.8, 4.5)) + 0.5


def scale_bar(axes: Axes, frame: tuple[Array, Array], above: float) -> None:
    """A bar of a round length, about a fifth of the first view, in its lower left corner.

    It stands `above` the lower edge, as a share of the largest extent of the frame, which is in mm.
    """
    low, high = frame
    span = float(high[0] - low[0])
    power = 10 ** np.floor(np.log10(span / 5))
    length = float(max(n * power for n in (1, 2, 5) if n * power <= span / 5))
    start = low[0] + 0.03 * span
    ends = np.array([start, start + length])
    height = low[1] + above * float((high - low).max())
    axes.plot(ends, [height, height], color=INK, lw=1.5, solid_capstyle="butt")
    axes.annotate(f"{length:g} mm", (ends.mean(), height), xytext=(0, 2),
                  textcoords="offset points", ha="center", va="bottom", fontsize=6.5)  # fmt: skip
