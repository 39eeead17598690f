"""One look for all figures: palette, marks, sizes, and how text is kept live."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from inspect import signature
from typing import Any

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

__all__ = [
    "DOUBLE", "DPI", "GREY", "INK", "QUERY", "SINGLE", "VERDICTS", "figure_style", "hold", "holds",
    "label_queries", "legend", "message_figure", "message_where", "panel_grid", "query_marks",
    "short", "taxon_marks", "verdict_legend",
]  # fmt: skip

# Widths of one and two columns of a journal, in inches (85 and 175 mm).
SINGLE, DOUBLE = 85 / 25.4, 175 / 25.4
# Dots per inch of figures made of them.
DPI = 300

INK = "#22262b"
GREY = "#9aa1a8"
# The query stands out by size, outline and white fill; its edge is not a taxon's colour.
QUERY = "#c2185b"

# Verdicts are told apart by lightness, too: dark, middle, light.
VERDICTS = {"outside": QUERY, "undecided": "#d5d8db", "inside": "#5fa99b"}

# Told apart by lightness as well as hue: more than 20 CIELAB units between any two, in
# simulated colour-blind vision as well (tests/drawing/test_colours.py).
_COLOURS = ("#0938a2", "#f2ad30", "#368178", "#6f4681", "#8c5a2b", "#83bfeb", "#b4af68", "#2b2c34")
_MARKS = ("o", "s", "^", "D", "v", "P", "X", "h")
_QUERY_MARKS = ("*", "p", "8", "d", "<", ">")
# How far a query's mark reaches from its middle, and where its name may stand from
# there, best place first; in points.
_MARK_REACH = 6
_PLACES = [(8 * side, y) for y in (4, -4, 13, -13, 22, -22, 31, -31) for side in (1, -1)]

_SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "axes.titlesize": 8.5,
    "axes.labelsize": 7.5,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left",
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "legend.fontsize": 7,
    "legend.frameon": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "formkin",
    "pdf.fonttype": 42,
    "figure.constrained_layout.use": True,
    # names of specimens are text, never formulas
    "text.parse_math": False,
}


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw with the settings of the project, and close figures afterwards."""
    with mpl.rc_context(_SETTINGS):
        try:
            yield
        finally:
            plt.close("all")


def taxon_marks(taxa: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Colour and mark of each taxon: the same in every figure of a study, by the order of names.

    Past eight taxa the marks go on in another pairing.
    """
    n = len(_COLOURS)
    return {
        taxon: {"color": _COLOURS[i % n], "marker": _MARKS[(i + 3 * (i // n)) % len(_MARKS)]}
        for i, taxon in enumerate(sorted(set(taxa)))
    }


def query_marks(queries: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Mark of each query, for `Axes.scatter`: larger, white, with a strong outline."""
    return {
        query: {
            "marker": _QUERY_MARKS[i % len(_QUERY_MARKS)],
            "s": 120,
            "facecolor": "white",
            "edgecolor": QUERY,
            "linewidth": 1.4,
            "zorder": 5,
        }
        for i, query in enumerate(queries)
    }


def short(name: str, longest: int = 28) -> str:
    """A name that fits a figure: its middle is cut where it is too long."""
    if len(name) <= longest:
        return name
    half = (longest - 1) // 2
    return f"{name[:half]}…{name[-half:]}"


def label_queries(axes: Axes, queries: pd.DataFrame, x: str, y: str) -> None:
    """Write each query's name beside its mark, where it hides least of names and marks.

    To be called last: the layout must be settled, so that what covers what is known.
    """
    figure = axes.get_figure(root=True)
    if figure is None or queries.empty:
        return
    figure.draw_without_rendering()
    room = axes.get_window_extent().padded(-3)
    places = queries[[x, y]].to_numpy(dtype=float)
    near = _MARK_REACH * figure.dpi / 72
    middles = axes.transData.transform(places)
    taken = [Bbox.from_extents(*(middle - near), *(middle + near)) for middle in middles]
    known = [axes.transData.transform(marks.get_offsets()) for marks in axes.collections]
    points = [Bbox.from_extents(*(p - near / 2), *(p + near / 2)) for p in np.concatenate(known)]
    for name, at in zip(queries["specimen"], places, strict=True):
        text = axes.annotate(
            short(name, 20), tuple(at), xytext=(0, 0), textcoords="offset points", color=QUERY,
            weight="bold", zorder=6, in_layout=False,
            path_effects=[withStroke(linewidth=2, foreground="white")],
        )  # fmt: skip
        hidden = []
        for place in _PLACES:
            box = _move(text, place)
            beyond = 0 if holds(room, box) else len(taken) + 1
            names_hidden = box.count_overlaps(taken) + beyond
            hidden.append((names_hidden, box.count_overlaps(points)))
            if not any(hidden[-1]):
                break
        taken.append(_move(text, _PLACES[hidden.index(min(hidden))]))


def holds(room: Bbox, box: Bbox) -> bool:
    """Whether a box lies within the room that there is, up to its edges."""
    across = room.x0 <= box.x0 and box.x1 <= room.x1
    return bool(across and room.y0 <= box.y0 and box.y1 <= room.y1)


def _move(text: Annotation, place: tuple[float, float]) -> Bbox:
    """Move a label to a place beside its mark; give the box that it fills there."""
    text.set_position(place)
    text.set_horizontalalignment("left" if place[0] > 0 else "right")
    text.set_verticalalignment("bottom" if place[1] > 0 else "top")
    return text.get_window_extent()


def legend(figure: Figure, taxa: Sequence[str], queries: Sequence[str] = ()) -> None:
    """One legend below the figure: taxa, then queries. The figure grows by its height."""
    white: Any = {"markersize": 9, "mfc": "white", "mec": QUERY, "mew": 1.2}
    looks: list[tuple[str, Any]] = [
        *((taxon, {"markersize": 5, **mark}) for taxon, mark in taxon_marks(taxa).items()),
        *(
            (name, {"marker": mark["marker"], **white})
            for name, mark in query_marks(queries).items()
        ),
    ]
    handles = [Line2D([], [], linestyle="", label=short(name), **look) for name, look in looks]
    look: dict[str, Any] = {"loc": "outside lower center", "handletextpad": 0.3}
    # as many columns as the names leave room for
    for columns in range(min(len(handles), 4), 0, -1):
        box = figure.legend(handles=handles, ncols=columns, **look)
        extent = box.get_window_extent()
        if columns == 1 or extent.width < 0.97 * figure.bbox.width:
            break
        box.remove()
    figure.set_figheight(figure.get_figheight() + extent.height / figure.dpi)


def verdict_legend(figure: Figure) -> None:
    """A legend of the three verdicts below the figure, which grows by its height."""
    handles = [Patch(facecolor=colour, label=name) for name, colour in VERDICTS.items()]
    box = figure.legend(handles=handles, loc="outside lower center", ncols=3)
    height = box.get_window_extent().height
    figure.set_figheight(figure.get_figheight() + height / figure.dpi)


def panel_grid(
    count: int, most: int, tall: float, more: float = 0.0, **shared: Any
) -> tuple[Figure, NDArray[Any]]:
    """So many panels, at `most` in a row; a row is so tall, in inches, the figure by `more`."""
    columns = min(count, most)
    rows = -(-count // columns)
    figure, panels = plt.subplots(
        rows, columns, figsize=(DOUBLE, tall * rows + more), sharey=True, squeeze=False, **shared
    )
    for axes in panels.ravel()[count:]:
        axes.axis("off")
    return figure, panels


def hold(figure: Figure) -> None:
    """Settle the layout of a figure at the resolution that it is saved in, and hold it.

    The solver's last bits hang on where its variables lie in memory; places of axes are rounded
    so that the same figure comes out as the same file.
    """
    figure.set_dpi(DPI)
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axes in figure.axes:
        x, y, width, height = axes.get_position(original=True).bounds
        axes.set_position((round(x, 6), round(y, 6), round(width, 6), round(height, 6)))


def message_figure(message: str) -> Figure:
    """A figure that says why there is nothing to draw."""
    figure, axes = plt.subplots(figsize=(DOUBLE, 1.2))
    axes.axis("off")
    axes.text(0.5, 0.5, message, ha="center", va="center", wrap=True, color=INK)
    return figure


def message_where(nothing: Callable[..., bool], message: str) -> Callable[[Any], Any]:
    """Let a function that draws a figure give a message where there is nothing to show.

    `nothing` takes some of the function's parameters, by their names, and tells whether it is so.
    The function has it as its attribute `nothing`, there taking all of them.
    """
    wanted = tuple(signature(nothing).parameters)

    def around(draw: Callable[..., Figure]) -> Callable[..., Figure]:
        def shows_nothing(**given: Any) -> bool:
            return nothing(**{name: given[name] for name in wanted})

        @wraps(draw)
        def drawn(*args: Any, **named: Any) -> Figure:
            given = signature(draw).bind(*args, **named).arguments
            return message_figure(message) if shows_nothing(**given) else draw(*args, **named)

        drawn.nothing = shows_nothing  # type: ignore[attr-defined]
        return drawn

    return around
