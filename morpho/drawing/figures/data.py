"""Can the data be trusted? Digitising error of landmarks, and distortion that was removed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from morpho.drawing.bone.views import (
    axis_names,
    bone_dots,
    bone_frame,
    bone_height,
    bone_lines,
    bone_points,
    bone_views,
)
from morpho.drawing.style import DOUBLE, GREY, INK, message_where, short

__all__ = ["distortion", "landmark_error"]

# Looks of a bone that was squashed or sheared in the ground, and of what was made of it.
_LOOKS: Any = {"before": (GREY, "--"), "after": (INK, "-")}


@message_where(
    lambda errors: errors.empty, "No specimen was digitised twice: digitising error is not known."
)
def landmark_error(
    errors: pd.DataFrame, mean: pd.DataFrame, outline: Sequence, towards: Sequence[str]
) -> Figure:
    """Draw the error of each landmark as a disc on the mean bone, and as bars."""
    points, names = bone_points(mean)
    frame = bone_frame([points])
    error = errors.set_index("landmark")["error_mm"]
    size = np.array([float(error.get(name, np.nan)) for name in names])
    shown = np.isfinite(size)
    tall = bone_height(frame, 0.52 * DOUBLE)
    figure = plt.figure(figsize=(DOUBLE, max(tall, 0.17 * len(errors) + 0.7)))
    towards = axis_names(figure, towards)
    left, right = figure.subfigures(1, 2, width_ratios=[0.55, 0.45], squeeze=False)[0]
    for axes, view in bone_views(left, frame, towards):
        bone_lines(axes, points, names, outline, view, colors=GREY, linewidths=0.8)
        bone_dots(
            axes, points[shown], view, s=160 * (size[shown] / np.nanmax(size)) ** 2,
            color="#d98e04", edgecolor=INK, linewidth=0.5, zorder=3,
        )  # fmt: skip
    ranked = errors.sort_values("error_mm", ascending=False, kind="stable")
    axes = right.add_subplot()
    axes.barh(range(len(ranked)), ranked["error_mm"], color="#d98e04", height=0.7)
    for row, share in enumerate(ranked["share_of_within_taxon_variance"]):
        axes.text(
            1.0, row, "–" if share != share else f"{share:.0%}", ha="right", va="center",
            transform=axes.get_yaxis_transform(), fontsize=6.5,
        )  # fmt: skip
    axes.set_yticks(range(len(ranked)), [short(name, 24) for name in ranked["landmark"]])
    axes.set_ylim(len(ranked) - 0.5, -0.5)
    axes.set_xlim(0, 1.25 * float(ranked["error_mm"].max()))
    axes.set_xlabel(
        "Error of one digitisation (mm); at the\nright, its share of the variance within taxa",
        loc="right",
    )
    return figure


@message_where(lambda shapes: shapes.empty, "The distortion of no bone was removed.")
def distortion(shapes: pd.DataFrame, outline: Sequence, towards: Sequence[str]) -> Figure:
    """Draw each such bone before and after, superimposed, in three views."""
    specimens = sorted(set(shapes["specimen"]))
    found = {key: bone_points(part) for key, part in shapes.groupby(["specimen", "when"])}
    frame = bone_frame([points for points, _ in found.values()])
    tall = bone_height(frame, 0.7 * DOUBLE) + 0.3
    figure = plt.figure(figsize=(DOUBLE, tall * len(specimens) + 0.4))
    towards = axis_names(figure, towards)
    parts = figure.subfigures(len(specimens), 1, squeeze=False)[:, 0]
    for part, specimen in zip(parts, specimens, strict=True):
        part.suptitle(short(specimen, 60), x=0.02, ha="left", fontsize=8.5)
        for axes, view in bone_views(part, frame, towards):
            for when, (color, style) in _LOOKS.items():
                points, names = found[specimen, when]
                look = {"colors": color, "linewidths": 1.1, "linestyles": style}
                bone_lines(axes, points, names, outline, view, **look)
                bone_dots(axes, points, view, s=7, color=color, zorder=3)
    handles = [
        Line2D([], [], color=color, linestyle=style, label=when)
        for when, (color, style) in _LOOKS.items()
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure
