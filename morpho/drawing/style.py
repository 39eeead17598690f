"""One look for all figures: palette, marks, sizes, and how text is kept live."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke

__all__ = [
    "DOUBLE", "GREY", "INK", "QUERY", "SINGLE", "figure_style", "label_queries", "legend",
    "message_figure", "query_marks", "short", "taxon_marks",
]  # fmt: skip

# Widths of one and two columns of a journal, in inches (85 and 175 mm).
SINGLE, DOUBLE = 85 / 25.4, 175 / 25.4

INK = "#22262b"
GREY = "#9aa1a8"
# The query stands out by size, outline and white fill; its edge is not a taxon's colour.
QUERY = "#c2185b"

# Told apart by lightness as well as hue, checked in simulated colour-blind vision.
_COLOURS = ("#1b4f8a", "#d98e04", "#3aa38f", "#7a3b8f", "#8c5a2b", "#6fb1e0", "#a3a847", "#4a4f57")
_MARKS = ("o", "s", "^", "D", "v", "P", "X", "h")
_QUERY_MARKS = ("*", "p", "8", "d", "<", ">")

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
    """Colour and mark of each taxon: the same in every figure of a study.

    Parameters
    ----------
    taxa : sequence of str
        All known taxa; their sorted order decides.

    Returns
    -------
    dict
        Keyword arguments `color` and `marker` by taxon; past eight taxa the marks go
        on in another pairing.
    """
    marks = {}
    for i, taxon in enumerate(sorted(set(taxa))):
        shift = i // len(_COLOURS)
        marks[taxon] = {
            "color": _COLOURS[i % len(_COLOURS)],
            "marker": _MARKS[(i + 3 * shift) % len(_MARKS)],
        }
    return marks


def query_marks(queries: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Mark of each query: larger, white, with a strong outline.

    Parameters
    ----------
    queries : sequence of str

    Returns
    -------
    dict
        Keyword arguments of `Axes.scatter` by query.
    """
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
    """A name that fits a figure: its middle is cut where it is too long.

    Parameters
    ----------
    name : str
    longest : int
        Characters at most.

    Returns
    -------
    str
    """
    if len(name) <= longest:
        return name
    half = (longest - 1) // 2
    return f"{name[:half]}…{name[-half:]}"


def label_queries(axes: Axes, names: Sequence[str], x: Sequence[float], y: Sequence[float]) -> None:
    """Write each query's name beside its mark, on the side that has room.

    Parameters
    ----------
    axes : Axes
    names : sequence of str
    x, y : sequence of float
        Where the marks are.
    """
    low, high = axes.get_xlim()
    for name, a, b in zip(names, x, y, strict=True):
        right = (a - low) < 0.7 * (high - low)
        axes.annotate(
            short(name, 20),
            (a, b),
            xytext=(8 if right else -8, 5),
            textcoords="offset points",
            ha="left" if right else "right",
            color=QUERY,
            weight="bold",
            zorder=6,
            path_effects=[withStroke(linewidth=2, foreground="white")],
        )


def legend(figure: Figure, taxa: Sequence[str], queries: Sequence[str] = ()) -> None:
    """One legend below the figure: taxa, then queries.

    Parameters
    ----------
    figure : Figure
    taxa, queries : sequence of str
    """
    handles = []
    for taxon, mark in taxon_marks(taxa).items():
        handles.append(Line2D([], [], linestyle="", markersize=5, label=short(taxon), **mark))
    for query, mark in query_marks(queries).items():
        handles.append(
            Line2D(
                [],
                [],
                linestyle="",
                marker=mark["marker"],
                markersize=9,
                markerfacecolor="white",
                markeredgecolor=QUERY,
                markeredgewidth=1.2,
                label=short(query),
            )
        )
    columns = min(len(handles), 4 if figure.get_figwidth() > 5 else 2)
    figure.legend(handles=handles, loc="outside lower center", ncols=columns, handletextpad=0.3)


def message_figure(message: str) -> Figure:
    """A figure that says why there is nothing to draw.

    Parameters
    ----------
    message : str

    Returns
    -------
    Figure
    """
    figure, axes = plt.subplots(figsize=(DOUBLE, 1.2))
    axes.axis("off")
    axes.text(0.5, 0.5, message, ha="center", va="center", wrap=True, color=INK)
    return figure
