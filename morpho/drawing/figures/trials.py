"""How sure is the verdict: calibration on the sample, and where the verdict holds."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from morpho.drawing.style import (
    DOUBLE,
    INK,
    VERDICTS,
    message_figure,
    short,
    verdict_legend,
)

__all__ = ["calibration", "stability"]

_PANELS = {
    "specimen": "False alarms: specimens left out",
    "taxon": "Noticed: taxa left out whole",
}
# Longest text on the settings that turn a verdict, in letters.
_ROOM = 38


def _shares(axes: Axes, part: pd.DataFrame, alpha: float | None) -> None:
    """Bars of verdicts by taxon, with the interval of the share told outside where it has one."""
    for y, row in enumerate(part.to_dict("records")):
        left = 0.0
        for verdict, colour in VERDICTS.items():
            share = row[verdict] / row["specimens"]
            axes.barh(y, share, left=left, height=0.62, color=colour, edgecolor="white", lw=0.5)
            left += share
        low, high = row["interval_low"], row["interval_high"]
        if np.isfinite(low):
            axes.plot([low, high], [y, y], color=INK, lw=1.1, zorder=3)
            axes.plot([low, low], [y - 0.14, y + 0.14], color=INK, lw=1.1, zorder=3)
            axes.plot([high, high], [y - 0.14, y + 0.14], color=INK, lw=1.1, zorder=3)
        axes.text(1.02, y, f"{row['outside']:.0f} of {row['specimens']:.0f}", va="center")
    if alpha is not None:
        axes.axvline(alpha, color=INK, lw=0.8, ls=(0, (4, 2)), zorder=2)
    axes.set_yticks(range(len(part)), [short(taxon, 22) for taxon in part["taxon"]])
    axes.set_ylim(len(part) - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xlabel("Share of specimens; line: 95 % interval of outside")


def calibration(table: pd.DataFrame, alpha: float) -> Figure:
    """Draw how known specimens are judged when they, or their whole taxon, are left out.

    Parameters
    ----------
    table : DataFrame
        The table `calibration_summary`.
    alpha : float
        Level of the tests, drawn as a dashed line among the false alarms.

    Returns
    -------
    Figure
    """
    kinds = [kind for kind in _PANELS if (table["left_out"] == kind).any()]
    if not kinds:
        return message_figure("No known specimen could be left out: each is alone in its taxon.")
    rows = max((table["left_out"] == kind).sum() for kind in kinds)
    figure, panels = plt.subplots(1, len(kinds), figsize=(DOUBLE, 0.3 * rows + 0.85), squeeze=False)
    for axes, kind in zip(panels[0], kinds, strict=True):
        _shares(axes, table[table["left_out"] == kind], alpha if kind == "specimen" else None)
        axes.set_title(_PANELS[kind])
        axes.text(1.02, -0.75, "outside", va="bottom", fontsize=6.5)
        if axes is not panels[0, 0]:
            axes.tick_params(labelleft=False)
    verdict_legend(figure)
    return figure


def _turning(names: list[str]) -> str:
    """As many names of turning settings as there is room for."""
    for count in range(len(names), 0, -1):
        rest = f" and {len(names) - count} more" if count < len(names) else ""
        text = ", ".join(names[:count])
        if len(text + rest) <= _ROOM:
            break
    return short(text, _ROOM - len(rest)) + rest


def _strips(axes: Axes, part: pd.DataFrame) -> None:
    """One query: a strip of settings for each kind of choice, coloured by verdict."""
    first = part[part["choice"] == "as analysed"].iloc[0].to_dict()
    choices = list(dict.fromkeys(part["choice"]))
    for y, choice in enumerate(choices):
        each = part[part["choice"] == choice]
        edges = np.linspace(0, 1, len(each) + 1)
        colours = [VERDICTS[verdict] for verdict in each["verdict"]]
        axes.barh(
            y, np.diff(edges), left=edges[:-1], height=0.72, color=colours, edgecolor="white",
            lw=0.6 if len(each) < 40 else 0.2, align="center",
        )  # fmt: skip
        if choice == "as analysed":
            axes.text(1.02, y, first["verdict"], va="center", weight="bold", in_layout=False)
            continue
        turning = each.loc[each["turns"], "setting"].tolist()
        said = f"{len(each) - len(turning)} of {len(each)}"
        if turning:
            said += f"; not: {_turning(turning)}"
        axes.text(1.02, y, said, va="center", fontsize=6.5, in_layout=False)
    axes.set_yticks(range(len(choices)), choices)
    axes.set_ylim(len(choices) - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.tick_params(left=False)


def stability(table: pd.DataFrame) -> Figure:
    """Draw a map of where each query's verdict holds and where it turns.

    Parameters
    ----------
    table : DataFrame
        The table `stability`.

    Returns
    -------
    Figure
    """
    if table.empty:
        return message_figure("No query takes part in the comparison with this element.")
    queries = sorted(set(table["specimen"]))
    kinds = [table.loc[table["specimen"] == query, "choice"].nunique() for query in queries]
    height = sum(0.21 * count + 0.45 for count in kinds)
    figure, panels = plt.subplots(
        len(queries), 1, figsize=(DOUBLE, height), squeeze=False, height_ratios=kinds
    )
    figure.get_layout_engine().set(rect=(0, 0, 0.6, 1))  # type: ignore[union-attr,call-arg]
    for axes, query in zip(panels[:, 0], queries, strict=True):
        _strips(axes, table[table["specimen"] == query])
        axes.set_title(short(query))
        axes.text(1.02, -0.75, "the verdict holds in", va="bottom", fontsize=6.5, in_layout=False)
    verdict_legend(figure)
    return figure
