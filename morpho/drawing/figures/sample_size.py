"""Growth stages and sample size: members along growth lines, errors, and what would decide."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from morpho.drawing.style import (
    DOUBLE,
    GREY,
    INK,
    VERDICTS,
    legend,
    message_figure,
    query_marks,
    short,
    taxon_marks,
    verdict_legend,
)

__all__ = ["adequacy", "specimens_to_decide", "trajectories"]


def trajectories(lines: pd.DataFrame, spread: pd.DataFrame, sizes: pd.DataFrame) -> Figure:
    """Draw how far members and queries lie from each taxon's growth line, against size.

    Parameters
    ----------
    lines : DataFrame
        The table `trajectories`.
    spread : DataFrame
        The table `spread`.
    sizes : DataFrame
        The table `centroid_size`.

    Returns
    -------
    Figure
    """
    if lines.empty:
        return message_figure("No query could be held against growth lines.")
    members = spread[spread["size_heeded"]].merge(
        sizes[["specimen", "centroid_size_mm"]], on="specimen"
    )
    queries = sorted(set(lines["specimen"]))
    taxa = sorted(set(lines["taxon"]))
    marks, styles = query_marks(queries), taxon_marks(taxa)
    columns = min(len(taxa), 4)
    rows = -(-len(taxa) // columns)
    figure, panels = plt.subplots(
        rows, columns, figsize=(DOUBLE, 1.75 * rows + 0.25), sharex=True, sharey=True,
        squeeze=False,
    )  # fmt: skip
    for axes in panels.ravel()[len(taxa) :]:
        axes.axis("off")
    for axes, taxon in zip(panels.ravel(), taxa, strict=False):
        own = members[members["taxon"] == taxon]
        held = lines[lines["taxon"] == taxon]
        low, high = own["centroid_size_mm"].min(), own["centroid_size_mm"].max()
        axes.axvspan(low, high, color=GREY, alpha=0.18, linewidth=0, zorder=0)
        axes.scatter(
            own["centroid_size_mm"], own["comparable_distance"], s=14, edgecolor="white",
            linewidth=0.3, **styles[taxon],
        )  # fmt: skip
        for row in held.to_dict("records"):
            axes.scatter(
                np.exp(row["log_centroid_size"]),
                row["distance"],
                **marks[row["specimen"]] | {"s": 80},
            )
        line = "own slope" if (held["growth_line"] == "own").any() else "shared slope"
        axes.set_title(f"{short(taxon, 20)}\n{line}", fontsize=7.5)
        axes.set_xlabel("Centroid size (mm)")
    highest = max(members["comparable_distance"].max(), lines["distance"].max())
    panels[0, 0].set_ylim(0, 1.15 * highest)
    panels[0, 0].margins(x=0.1)
    for axes in panels[:, 0]:
        axes.set_ylabel("Distance from growth line")
    legend(figure, [], queries)
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


def adequacy(rarefaction: pd.DataFrame) -> Figure:
    """Draw errors of mean shapes and variances against the number of specimens.

    Parameters
    ----------
    rarefaction : DataFrame
        The table `rarefaction`.

    Returns
    -------
    Figure
    """
    if rarefaction.empty:
        return message_figure("No taxon has specimens enough to be rarefied: four are needed.")
    figure, (left, right) = plt.subplots(1, 2, figsize=(DOUBLE, 2.5))
    _curves(left, rarefaction, "mean_error")
    left.set_title("Error of the mean shape")
    left.set_ylabel("Procrustes distance")
    _curves(right, rarefaction, "variance_error")
    right.set_title("Error of the variance")
    right.set_ylabel("Share of the variance")
    legend(figure, rarefaction["taxon"].tolist())
    return figure


def specimens_to_decide(table: pd.DataFrame) -> Figure:
    """Draw verdicts in simulations with specimens added to the nearest taxon.

    Parameters
    ----------
    table : DataFrame
        The table `specimens_to_decide`.

    Returns
    -------
    Figure
    """
    if table.empty:
        return message_figure("No simulations of larger samples were made.")
    queries = sorted(set(table["specimen"]))
    columns = min(len(queries), 3)
    rows = -(-len(queries) // columns)
    figure, panels = plt.subplots(
        rows, columns, figsize=(DOUBLE, 1.75 * rows + 0.1), sharey=True, squeeze=False
    )
    for axes in panels.ravel()[len(queries) :]:
        axes.axis("off")
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
