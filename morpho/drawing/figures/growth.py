"""Only a growth stage? Shape along growth, and distance from growth lines, against size."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from morpho.drawing.style import (
    DOUBLE,
    GREY,
    label_queries,
    legend,
    message_where,
    panel_grid,
    query_marks,
    short,
    taxon_marks,
)

__all__ = ["growth", "trajectories"]


@message_where(lambda lines: lines.empty, "No query could be held against growth lines.")
def trajectories(lines: pd.DataFrame, spread: pd.DataFrame, sizes: pd.DataFrame) -> Figure:
    """Draw how far members and queries lie from each taxon's growth line, against size."""
    members = spread[spread["size_heeded"]].merge(
        sizes[["specimen", "centroid_size_mm"]], on="specimen"
    )
    queries = sorted(set(lines["specimen"]))
    taxa = sorted(set(lines["taxon"]))
    marks, styles = query_marks(queries), taxon_marks(taxa)
    figure, panels = panel_grid(len(taxa), 4, 1.75, 0.25, sharex=True)
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
            mark = marks[row["specimen"]] | {"s": 80}
            axes.scatter(np.exp(row["log_centroid_size"]), row["distance"], **mark)
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


def _no_line(table: pd.DataFrame) -> bool:
    known = table[table["role"] == "known"]
    return not np.isfinite(known["regression_score"].to_numpy(dtype=float)).all()


@message_where(_no_line, "Sizes do not vary within taxa: there is no growth line to draw.")
def growth(table: pd.DataFrame, slope_length: float) -> Figure:
    """Draw regression scores against log centroid size, with each taxon's line.

    `slope_length` is the change of the score per unit of log size: the slope all taxa share.
    """
    known, queries = table[table["role"] == "known"], table[table["role"] == "query"]
    figure, axes = plt.subplots(figsize=(DOUBLE, 3.3))
    for taxon, mark in taxon_marks(known["taxon"].tolist()).items():
        part = known[known["taxon"] == taxon]
        x = part["log_centroid_size"].to_numpy(dtype=float)
        y = part["regression_score"].to_numpy(dtype=float)
        axes.scatter(x, y, s=18, linewidth=0.4, edgecolor="white", zorder=3, **mark)
        ends = np.array([x.min(), x.max()])
        axes.plot(ends, y.mean() + slope_length * (ends - x.mean()), color=mark["color"], lw=1)
    marks = query_marks(queries["specimen"].tolist())
    for row in queries.to_dict("records"):
        axes.scatter(row["log_centroid_size"], row["regression_score"], **marks[row["specimen"]])
    axes.margins(0.06)
    axes.set_xlabel("Log centroid size (of mm)")
    axes.set_ylabel("Regression score (shape along growth)")
    upper = axes.secondary_xaxis("top")
    low, high = np.exp(axes.get_xlim())
    sizes = [size for size in MaxNLocator(6).tick_values(low, high) if low <= size <= high]
    upper.set_xticks(np.log(sizes), [f"{size:g}" for size in sizes])
    upper.set_xlabel("Centroid size (mm)")
    legend(figure, known["taxon"].tolist(), queries["specimen"].tolist())
    label_queries(axes, queries, "log_centroid_size", "regression_score")
    return figure
