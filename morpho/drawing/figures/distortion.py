"""Bones that were squashed or sheared in the ground: before and after they were made symmetric."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from morpho.drawing.bone.views import (
    VIEWS,
    axis_names,
    bone_frame,
    bone_height,
    bone_lines,
    bone_points,
    bone_views,
)
from morpho.drawing.style import DOUBLE, GREY, INK, message_figure, short

__all__ = ["distortion"]

_LOOKS: Any = {"before": (GREY, "--"), "after": (INK, "-")}


def distortion(shapes: pd.DataFrame, links: Sequence, towards: Sequence[str]) -> Figure:
    """Draw each such bone before and after, superimposed, in three views.

    Parameters
    ----------
    shapes : DataFrame
        The table `distortion_shapes`.
    links : sequence of pairs of str
    towards : sequence of str
        What the axes point towards.

    Returns
    -------
    Figure
    """
    specimens = sorted(set(shapes["specimen"]))
    if not specimens:
        return message_figure("The distortion of no bone was removed.")
    found = {key: bone_points(part) for key, part in shapes.groupby(["specimen", "when"])}
    frame = bone_frame([points for points, _ in found.values()])
    tall = bone_height(frame, 0.7 * DOUBLE) + 0.3
    figure = plt.figure(figsize=(DOUBLE, tall * len(specimens) + 0.4))
    towards = axis_names(figure, towards)
    parts = figure.subfigures(len(specimens), 1, squeeze=False)[:, 0]
    for part, specimen in zip(parts, specimens, strict=True):
        part.suptitle(short(specimen, 60), x=0.02, ha="left", fontsize=8.5)
        for axes, view in zip(bone_views(part, frame, towards), VIEWS, strict=True):
            for when, (color, style) in _LOOKS.items():
                points, names = found[specimen, when]
                look = {"colors": color, "linewidths": 1.1, "linestyles": style}
                bone_lines(axes, points, names, links, view, **look)
                axes.scatter(points[:, view[0]], points[:, view[1]], s=7, color=color, zorder=3)
    handles = [
        Line2D([], [], color=color, linestyle=style, label=when)
        for when, (color, style) in _LOOKS.items()
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure
