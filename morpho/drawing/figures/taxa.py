"""Do the known taxa differ? Canonical scores as fitted beside those of specimens left out."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from morpho.drawing.figures.space import scatter
from morpho.drawing.style import (
    DOUBLE,
    label_queries,
    legend,
    message_where,
    short,
)

__all__ = ["canonical"]


def _as_it_is(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["size_heeded"] == False]  # noqa: E712  (a column)


@message_where(
    lambda scores: _as_it_is(scores).empty,
    "Too few specimens or taxa for canonical axes: see the report.",
)
def canonical(scores: pd.DataFrame, axes_table: pd.DataFrame) -> Figure:
    """Draw canonical scores as they are twice: as fitted, and each by a model without it."""
    scores, axes_table = _as_it_is(scores), _as_it_is(axes_table)
    share = axes_table.set_index("canonical_axis")["share_between_taxa"]
    figure, panels = plt.subplots(1, 2, figsize=(DOUBLE, DOUBLE * 0.46), sharex=True, sharey=True)
    plane = 2 in share.index
    known = scores[scores["role"] == "known"]
    queries = scores[scores["role"] == "query"]
    names = queries["specimen"].tolist()
    if plane:
        panels[0].set_ylabel(f"Canonical axis 2 ({share[2]:.1%} of the variation between taxa)")
    else:  # two taxa have one axis: a row for each taxon and each query
        rows = sorted(set(known["taxon"])) + names
        known = known.assign(canonical_2=known["taxon"].map(rows.index).astype(float))
        queries = queries.assign(canonical_2=np.arange(len(rows) - len(names), len(rows)) * 1.0)
        panels[0].set_yticks(range(len(rows)), [short(row, 22) for row in rows])
        panels[0].set_ylim(len(rows) - 0.4, -0.6)
    titles = {"fitted": "As fitted: flatters the separation", "left out": "Left out: the fair view"}
    for axes, (kind, title) in zip(panels, titles.items(), strict=True):
        part = known[known["kind"] == kind]
        scatter(axes, part, queries, "canonical_1", "canonical_2", "hulls")
        axes.set_title(title)
        axes.set_xlabel(f"Canonical axis 1 ({share[1]:.1%} of the variation between taxa)")
    legend(figure, known["taxon"].tolist(), names)
    for axes in panels if plane else ():
        label_queries(axes, queries, "canonical_1", "canonical_2")
    return figure
