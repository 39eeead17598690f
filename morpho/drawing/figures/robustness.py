"""How sure is that? Calibration, where the verdict holds, and what more specimens would do."""

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
    legend,
    message_where,
    panel_grid,
    short,
    taxon_marks,
    verdict_legend,
)

__all__ = ["adequacy", "calibration", "specimens_to_decide", "stability"]

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


@message_where(
    lambda table: table.empty, "No known specimen could be left out: each is alone in its taxon."
)
def calibration(table: pd.DataFrame, alpha: float) -> Figure:
    """Draw how known specimens are judged when they, or their whole taxon, are left out.

    A dashed line among the false alarms is the level of the tests.
    """
    kinds = [kind for kind in _PANELS if (table["left_out"] == kind).any()]
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


@message_where(
    lambda table: table.empty, "No query takes part in the comparison with this element."
)
def stability(table: pd.DataFrame) -> Figure:
    """Draw a map of where each query's verdict holds and where it turns."""
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


def _curves(axes: Axes, table: pd.DataFrame, column: str) -> None:
    taxa = sorted(set(table["taxon"]))
    for taxon, mark in taxon_marks(taxa).items():
        part = table[(table["taxon"] == taxon) & table[column].notna()]
        axes.plot(part["specimens"], part[column], lw=1, ms=3, **mark)
        if column == "mean_error":
            rest = table[(table["taxon"] == taxon) & (table["specimens"] >= 2)]
            beyond = rest[rest["specimens"] >= part["specimens"].max()]
            axes.plot(
                beyond["specimens"], beyond["mean_error_expected"], color=mark["color"], lw=0.9,
                ls=(0, (2, 2)),
            )  # fmt: skip
    axes.set_xlabel("Specimens of the taxon")
    axes.set_ylim(bottom=0)


@message_where(
    lambda rarefaction: rarefaction.empty,
    "No taxon has specimens enough to be rarefied: four are needed.",
)
def adequacy(rarefaction: pd.DataFrame) -> Figure:
    """Draw errors of mean shapes and variances against the number of specimens."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(DOUBLE, 2.5))
    _curves(left, rarefaction, "mean_error")
    left.set_title("Error of the mean shape")
    left.set_ylabel("Procrustes distance")
    _curves(right, rarefaction, "variance_error")
    right.set_title("Error of the variance")
    right.set_ylabel("Share of the variance")
    legend(figure, rarefaction["taxon"].tolist())
    return figure


@message_where(lambda table: table.empty, "No simulations of larger samples were made.")
def specimens_to_decide(table: pd.DataFrame) -> Figure:
    """Draw verdicts in simulations with specimens added to the nearest taxon."""
    queries = sorted(set(table["specimen"]))
    figure, panels = panel_grid(len(queries), 3, 1.75, 0.1)
    for axes, query in zip(panels.ravel(), queries, strict=False):
        part = table[table["specimen"] == query]
        x = np.arange(len(part))
        bottom = np.zeros(len(part))
        # decided ones below, so that the line tells whether they are enough
        for verdict in ("outside", "inside", "undecided"):
            share = part[verdict].to_numpy(dtype=float)
            axes.bar(
                x, share, bottom=bottom, width=0.8, color=VERDICTS[verdict], edgecolor="white",
                lw=0.5,
            )  # fmt: skip
            bottom += share
        axes.axhline(0.8, color=INK, lw=0.7, ls=(0, (4, 2)))
        axes.set_xticks(x, [f"{n:.0f}" for n in part["taxon_specimens"]])
        axes.set_xlabel(f"Specimens of {short(part['taxon'].iloc[0], 24)}")
        axes.set_title(short(query))
        axes.set_ylim(0, 1)
    panels[0, 0].set_ylabel("Share of simulations")
    verdict_legend(figure)
    return figure
