"""Does it belong to a known taxon? Distances to each, before those of its own specimens."""

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
    QUERY,
    message_where,
    query_marks,
    short,
    taxon_marks,
)

__all__ = ["distances"]

_TITLES = {False: "As it is", True: "At its own size (growth heeded)"}


def _panel(axes: Axes, spread: pd.DataFrame, query: pd.DataFrame, mark: dict, alpha: float) -> None:
    """One query: a row of dots for each taxon, and the query's mark on it."""
    taxa = sorted(set(spread["taxon"]))
    styles = taxon_marks(taxa)
    for row, taxon in enumerate(taxa):
        own = np.sort(spread.loc[spread["taxon"] == taxon, "relative_distance"].dropna())
        # dots step up and down so that near ones can be told apart
        lift = 0.12 * (np.arange(len(own)) % 3 - 1)
        axes.axhline(row, color=GREY, linewidth=0.4, zorder=0)
        axes.scatter(own, row + lift, s=12, edgecolor="white", linewidth=0.3, **styles[taxon])
        found = query[query["taxon"] == taxon]
        for one in found.to_dict("records"):
            rejects = one["critical_distance"]
            axes.plot([rejects, rejects], [row - 0.4, row + 0.4], color=INK, linewidth=1, zorder=3)
            axes.scatter(one["relative_distance"], row, **mark)
            axes.text(
                1.0,
                row,
                "p < 0.001" if one["p_value"] < 0.001 else f"p = {one['p_value']:.3f}",
                transform=axes.get_yaxis_transform(),
                ha="right",
                va="center",
                fontsize=6.5,
                color=QUERY if one["p_value"] <= alpha else INK,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
            )
    axes.set_yticks(range(len(taxa)), [short(taxon, 22) for taxon in taxa])
    axes.set_ylim(len(taxa) - 0.5, -0.5)


@message_where(
    lambda membership: membership.empty,
    "No query takes part in the comparison with this element.",
)
def distances(membership: pd.DataFrame, spread: pd.DataFrame, alpha: float) -> Figure:
    """Draw each query's relative distance to each taxon before those of its own members.

    Parameters
    ----------
    membership : DataFrame
        The table `membership`.
    spread : DataFrame
        The table `spread`.
    alpha : float
        Level of the tests: p-values up to it are set in the queries' colour.
    """
    queries = sorted(set(membership["specimen"]))
    heeded = sorted(set(membership["size_heeded"]))
    n_taxa = spread["taxon"].nunique()
    figure, panels = plt.subplots(
        len(queries),
        len(heeded),
        figsize=(DOUBLE, (0.34 * n_taxa + 0.9) * len(queries) + 0.3),
        sharex=True,
        squeeze=False,
    )
    marks = query_marks(queries)
    for axes_row, query in zip(panels, queries, strict=True):
        for axes, size in zip(axes_row, heeded, strict=True):
            chosen = membership["size_heeded"] == size
            part = membership[chosen & (membership["specimen"] == query)]
            behind = spread[spread["size_heeded"] == size]
            _panel(axes, behind, part, marks[query] | {"s": 90}, alpha)
            axes.set_title(f"{short(query)}\n{_TITLES[size]}")
            if axes is not axes_row[0]:
                axes.tick_params(labelleft=False)
    left, right = panels[0, 0].get_xlim()
    panels[0, 0].set_xlim(min(left, 0), right + 0.28 * (right - left))
    for axes in panels[-1]:
        axes.set_xlabel("relative distance (its own members: 1)")
    return figure
