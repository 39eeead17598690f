"""Arrows at landmarks of a view, and numbers that cover neither each other nor arrows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.legend_handler import HandlerPatch
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch
from matplotlib.patheffects import withStroke
from numpy.typing import ArrayLike, NDArray

from morpho.drawing.style import GREY, INK, QUERY, holds, short

__all__ = ["arrow_key", "arrows", "number_points"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# How far a number may stand from what it numbers, in points, and in how many directions.
_FAR = (6, 9, 12, 16, 21, 27, 34, 42)
_DIRECTIONS = 24
# Of more than this a line leads to the number; none of the above, or rounding would decide.
_LEADER = 7
# Room kept around a number, in points.
_AROUND = 1.2
# Weights: a number or the edge in the way, nearer to another arrow, on a point or an arrow, each
# point further out.
_NEVER, _DOUBTFUL, _COVERED, _OUT = 1000.0, 2.0, 1.0, 0.12
# Looks of a number, and of the line that leads to it.
_NUMBER: Any = {
    "fontsize": 6.5, "weight": "bold", "color": INK, "ha": "center", "va": "center", "zorder": 7,
    "in_layout": False, "path_effects": [withStroke(linewidth=1.6, foreground="white")],
}  # fmt: skip
_LINE = {
    "arrowstyle": "-", "lw": 0.5, "color": INK, "alpha": 0.6, "shrinkA": 0, "shrinkB": 0,
    "zorder": 2.5,
}  # fmt: skip


def _arrow_of_key(width: float, height: float, **_: Any) -> FancyArrowPatch:
    return FancyArrowPatch(
        (0, height / 2), (width, height / 2), arrowstyle="-|>", mutation_scale=7, shrinkA=0,
        shrinkB=0,
    )  # fmt: skip


def arrows(axes: Axes, at: Array, moved: Array, significant: Mask, estimated: Mask) -> None:
    """Draw the arrows of one view: significant ones thick and on top, estimated ones dashed."""
    looks: tuple[tuple[Mask, Any, float], ...] = (
        (~significant, {"color": INK, "alpha": 0.5, "zorder": 3}, 0.6),
        (significant, {"color": QUERY, "zorder": 4}, 1.5),
    )
    for those, look, width in looks:
        plain = those & ~estimated
        if plain.any():
            axes.quiver(
                *at[plain].T, *moved[plain].T, angles="xy", scale_units="xy", scale=1,
                width=width / 72, units="inches", headwidth=4, headlength=4.2, headaxislength=3.8,
                minlength=0.1, edgecolor="white", linewidth=0.25, **look,
            )  # fmt: skip
        for i in np.flatnonzero(those & estimated):
            axes.add_patch(
                FancyArrowPatch(
                    at[i], at[i] + moved[i], arrowstyle="->", mutation_scale=4 + 2 * width,
                    linewidth=width, linestyle=(0, (2.5, 1.2)), shrinkA=0, shrinkB=0, **look,
                )
            )  # fmt: skip
            axes.scatter(
                at[i, 0], at[i, 1], s=16, facecolor="white", edgecolor=look["color"],
                linewidth=0.8, zorder=5,
            )  # fmt: skip


def arrow_key(axes: Axes, taxon: str, alpha: float, estimated: bool) -> None:
    """Write what the arrows mean into a panel of its own."""
    handles: list[Any] = [
        FancyArrowPatch((0, 0), (1, 0), color=QUERY, lw=1.5, label=f"p ≤ {alpha:g}, adjusted"),
        FancyArrowPatch((0, 0), (1, 0), color=INK, lw=0.6, alpha=0.5, label=f"p > {alpha:g}"),
    ]
    if estimated:
        handles.append(
            Line2D([], [], color=INK, lw=0.9, ls=(0, (2.5, 1.2)), marker="o", ms=4, mfc="white",
                   mew=0.8, label="landmark was estimated on this bone")
        )  # fmt: skip
    handles.append(
        Line2D([], [], color=GREY, lw=1, marker="o", ms=2.5, label=f"predicted: {short(taxon, 24)}")
    )
    handlers = {FancyArrowPatch: HandlerPatch(patch_func=_arrow_of_key)}
    axes.legend(handles=handles, loc="upper left", handler_map=handlers, borderpad=0)


def number_points(
    axes: Axes, start: ArrayLike, end: ArrayLike, chosen: Sequence[int] | NDArray[np.intp]
) -> None:
    """Number the `chosen` arrows of a view, in their order, from 1.

    To be called last: the layout must be settled, so that what covers what is known.
    """
    figure = axes.get_figure(root=True)
    if figure is None or not len(chosen):
        return
    point = figure.dpi / 72
    a, b = (axes.transData.transform(np.asarray(one, dtype=float)) for one in (start, end))
    # arrows as rows of dots, no two further apart than a number is wide
    shares = np.linspace(0, 1, 9)[:, None, None]
    dots = (a + shares * (b - a)).reshape(-1, 2)
    owner = np.tile(np.arange(len(a)), len(shares))
    room = axes.get_window_extent().padded(-1)
    taken = [text.get_window_extent() for text in axes.texts]
    centre = a.mean(axis=0)
    for number, i in enumerate(chosen, start=1):
        anchor = (a[i] + b[i]) / 2
        text = axes.annotate(str(number), anchor, xycoords="figure pixels", **_NUMBER)
        plain = text.get_window_extent().padded(_AROUND * point)
        outwards = float(np.arctan2(*(anchor - centre)[::-1]))
        best, least = (0.0, 0.0), np.inf
        for far in _FAR:
            for turn in sorted(np.linspace(-np.pi, np.pi, _DIRECTIONS, endpoint=False), key=abs):
                step = far * np.array([np.cos(outwards + turn), np.sin(outwards + turn)])
                box = plain.translated(*(step * point))
                cost = _NEVER * (box.count_overlaps(taken) + (not holds(room, box)))
                cost += _COVERED * box.count_contains(dots) + _OUT * far + 0.2 * abs(turn)
                # nor where it would be nearer to another arrow than to its own
                away = np.linalg.norm(dots - (anchor + step * point), axis=1)
                cost += _DOUBTFUL * (away[owner != i].min(initial=np.inf) < away[owner == i].min())
                if cost < least:
                    best, least = (float(step[0]), float(step[1])), cost
        text.remove()
        taken.append(plain.translated(best[0] * point, best[1] * point))
        middle = (np.asarray(start, dtype=float)[i] + np.asarray(end, dtype=float)[i]) / 2
        axes.annotate(
            str(number), middle, xytext=best, textcoords="offset points",
            arrowprops=_LINE if np.hypot(*best) > _LEADER else None, **_NUMBER,
        )  # fmt: skip
