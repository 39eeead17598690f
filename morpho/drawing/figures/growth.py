"""Growth: shape along the growth line against size."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from morpho.drawing.style import (
    DOUBLE,
    label_queries,
    legend,
    message_figure,
    query_marks,
    taxon_marks,
)

__all__ = ["growth"]


def growth(table: pd.DataFrame, slope_length: float) -> Figure:
    """Draw regression scores against log centroid size, with each taxon's line.

    Parameters
    ----------
    table : DataFrame
        The table `growth`.
    slope_length : float
        Change of the score per unit of log size: the slope all taxa share.

    Returns
    -------
    Figure
    """
    known, queries = table[table["role"] == "known"], table[table["role"] == "query"]
    if not np.isfinite(known["regression_score"].to_numpy(dtype=float)).all():
        return message_figure("Sizes do not vary within taxa: there is no growth line to draw.")
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
    names = queries["specimen"].tolist()
    legend(figure, known["taxon"].tolist(), names)
    label_queries(
        axes, names, queries["log_centroid_size"].tolist(), queries["regression_score"].tolist()
    )
    return figure
