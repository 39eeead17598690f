"""Numbers beside dots, each where it hides least of dots, lines and other numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.path import Path
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from morpho.drawing.style import INK

__all__ = ["place_numbers"]

Array = NDArray[np.float64]

_SIZE = 6.5
# Radii of a numbered dot and of any other, and clear distances between dot and number, nearest
# first; in points.
_MARKED, _DOT, _GAPS = 2.2, 1.2, (1.0, 4.0, 8.0, 12.0)
# Directions in which a number may stand from its dot, best first.
_DIRECTIONS = np.array(
    [(1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (1, 0), (0, -1), (-1, 0)], dtype=float
)
# What it costs to hide a number, a dot, or a line, and to stand one step farther off.
_COSTS = (100.0, 30.0, 3.0, 4.0)
_PASSES = 3


def _box(middle: Array, half: Array) -> Bbox:
    return Bbox([middle - half, middle + half])


def place_numbers(axes: Axes, points: Array, numbered: Sequence[int]) -> None:
    """Write 1, 2, 3 and so on beside the points `numbered`, of all that are drawn.

    To be called last: the layout must be settled, so that what covers what is known. A number
    that has to stand away from its dot is led there by a line.
    """
    figure = axes.get_figure(root=True)
    if figure is None or not len(numbered):
        return
    figure.draw_without_rendering()
    pixels = figure.dpi / 72
    room = axes.get_window_extent()
    at = axes.transData.transform(points)
    radii = np.full(len(at), _DOT)
    radii[list(numbered)] = _MARKED
    dots = [_box(middle, np.full(2, r * pixels)) for middle, r in zip(at, radii, strict=True)]
    outline = [
        Path(axes.transData.transform(segment))
        for lines in axes.collections
        if isinstance(lines, LineCollection)
        for segment in lines.get_segments()
    ]
    texts = [_text(axes, str(k), points[i]) for k, i in enumerate(numbered, start=1)]
    halves = [_half(text) for text in texts]
    places: list[list[tuple[float, Array, Bbox]]] = []
    for i, half in zip(numbered, halves, strict=True):
        choices = []
        for step, gap in enumerate(_GAPS):
            for order, direction in enumerate(_DIRECTIONS):
                away = direction / np.linalg.norm(direction) * (gap + _MARKED) * pixels
                offset = away + direction * half
                box = _box(at[i] + offset, half)
                wide = box.padded(0.8 * pixels)
                cost = _COSTS[3] * step + 0.1 * order
                cost += _COSTS[1] * box.count_overlaps(dots)
                cost += _COSTS[2] * sum(
                    line.intersects_bbox(wide, filled=False) for line in outline
                )
                if not (room.x0 < box.x0 and box.x1 < room.x1):
                    cost += _COSTS[0]
                if not (room.y0 < box.y0 and box.y1 < room.y1):
                    cost += _COSTS[0]
                choices.append((cost, offset, box))
        places.append(choices)
    chosen = _choose(places)
    for text, half, choices, best in zip(texts, halves, places, chosen, strict=True):
        _, offset, _ = choices[best]
        text.set_position(tuple(offset / pixels))
        if best >= 2 * len(_DIRECTIONS):
            _lead(axes, text, offset, half, pixels)


def _text(axes: Axes, words: str, point: Array) -> Annotation:
    return axes.annotate(
        words, tuple(point), xytext=(0, 0), textcoords="offset points", fontsize=_SIZE,
        ha="center", va="center_baseline", in_layout=False, zorder=6,
    )  # fmt: skip


def _half(text: Annotation) -> Array:
    """Half of the width and of the height of a text as drawn, without the room for tails."""
    box = text.get_window_extent()
    return np.array([0.5 * box.width, 0.4 * box.height])


def _choose(places: Sequence[Sequence[tuple[float, Array, Bbox]]]) -> list[int]:
    """The place of each number: chosen again once the others are known, until none moves."""
    chosen = [-1] * len(places)
    for _ in range(_PASSES):
        before = list(chosen)
        for i, choices in enumerate(places):
            taken = [places[j][k][2] for j, k in enumerate(chosen) if j != i and k >= 0]
            costs = [cost + _COSTS[0] * box.count_overlaps(taken) for cost, _, box in choices]
            chosen[i] = int(np.argmin(costs))
        if chosen == before:
            break
    return chosen


def _lead(axes: Axes, text: Annotation, offset: Array, half: Array, pixels: float) -> None:
    """A thin line from a dot to the edge of its number."""
    inner = np.abs(offset) > 0
    to_edge = 1 - float(np.min(half[inner] / np.abs(offset)[inner]))
    axes.annotate(
        "", text.xy, xytext=tuple(offset * to_edge / pixels), textcoords="offset points",
        arrowprops={"arrowstyle": "-", "lw": 0.4, "color": INK, "shrinkA": 0, "shrinkB": 2},
    )  # fmt: skip
