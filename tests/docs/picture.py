"""The house as a picture: its layers, and arrows from each to those that it imports."""

from __future__ import annotations

import sys
from collections import Counter
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, FancyBboxPatch

from helpers.imports import MODULES, between_layers, parts_of

# Where a layer stands from left to right; its height follows from what it imports.
ACROSS = {
    "cli": 0.0, "running": 0.75, "house": 0.0, "steps": 1.5, "report": 3.2,
    "viewer": 4.4, "drawing": 4.4, "inference": 4.4,
    "workflow": 0.0, "study": 0.0, "results": 1.7, "shape": 3.4,
}  # fmt: skip
WIDE, HIGH = 0.94, 0.46


def floors(arrows: Counter[tuple[str, str]]) -> dict[str, int]:
    """How high each layer stands: one above the highest that it imports."""

    @cache
    def floor(layer: str) -> int:
        return 1 + max((floor(below) for above, below in arrows if above == layer), default=-1)

    return {layer: floor(layer) for arrow in arrows for layer in arrow}


def reached_otherwise(arrow: tuple[str, str], arrows: Counter[tuple[str, str]]) -> bool:
    """Whether an arrow's end is reached by others as well, through a layer between."""
    start, end = arrow
    between = {below for above, below in arrows if above == start and below != end}
    return any((step, end) in arrows or reached_otherwise((step, end), arrows) for step in between)


def picture() -> Figure:
    """Boxes and arrows; an arrow is paler where it skips layers on the way down."""
    arrows = between_layers()
    height = floors(arrows)
    sizes = Counter(parts_of(path)[0] for path in MODULES if path.name != "__init__.py")
    figure = Figure(figsize=(7.2, 6.4), layout="constrained")
    axes = figure.subplots()
    axes.set_axis_off()
    axes.set(xlim=(-0.6, 5.0), ylim=(-0.4, max(height.values()) + 0.4))
    for arrow, count in arrows.items():
        (x, y), (to_x, to_y) = ((ACROSS[layer], height[layer]) for layer in arrow)
        skips = reached_otherwise(arrow, arrows)
        axes.add_patch(
            FancyArrowPatch(
                (x, y - HIGH / 2),
                (to_x, to_y + HIGH / 2),
                arrowstyle="-|>",
                mutation_scale=11,
                shrinkA=0,
                shrinkB=1,
                linewidth=0.8 + 0.02 * min(count, 70),
                color="#b9c0c7" if skips else "#33485c",
                zorder=1 if skips else 2,
            )
        )
    for layer, y in height.items():
        x = ACROSS[layer]
        axes.add_patch(
            FancyBboxPatch(
                (x - WIDE / 2, y - HIGH / 2),
                WIDE,
                HIGH,
                boxstyle="round,pad=0,rounding_size=0.08",
                facecolor="#f4f1ea",
                edgecolor="#33485c",
                zorder=3,
            )
        )
        number = sizes[layer]
        axes.text(x, y + 0.07, layer, ha="center", va="center", fontsize=11, zorder=4)
        told = f"{number} module{'s' * (number != 1)}"
        axes.text(x, y - 0.12, told, ha="center", va="center", fontsize=7, zorder=4)
    return figure


if __name__ == "__main__":
    picture().savefig(sys.argv[1], dpi=110)
