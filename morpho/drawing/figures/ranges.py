"""Queries among the values of each taxon: ranked measurements, proportions of elements."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from morpho.drawing.lettering import fit_names, fitted, p_words
from morpho.drawing.style import (
    GREY,
    INK,
    QUERY,
    message_figure,
    message_where,
    panel_grid,
    query_marks,
    short,
    taxon_marks,
)

__all__ = ["measurements", "proportions"]

_BAND = "#e4e6e9"
# Inches of a row, and of what stands above and below the rows of a panel.
_ROW, _AROUND = 0.14, 0.88
# Inches of the names of rows at most.
_NAMES = 1.6


def _in_two_lines(before: str, name: str, width: int) -> str:
    """A name in lines of so many characters, two at most, its middle cut if need be."""
    longest = min(len(name), 2 * width)
    while True:
        lines = textwrap.wrap(before + short(name, longest), width, break_on_hyphens=False)
        if len(lines) <= 2:
            return "\n".join(lines)
        longest -= 1


def _title(axes: Axes, before: str, name: str, pad: float) -> None:
    """A title of one or two lines that fit the width of the panel."""
    title = axes.set_title("", fontsize=7.5, pad=pad)
    room = axes.get_window_extent().width
    fit_names(title, lambda width: _in_two_lines(before, name, max(width, 8)), 80, room)


def _words(value: float, every: bool, outside: int, compared: int) -> str:
    if not np.isfinite(value):
        return "not measured"
    return "outside every range" if every else f"outside {outside} of {compared} ranges"


def _standing(one: Mapping[Any, Any], outside: int, compared: int) -> list[str]:
    """Which way a measurement differs from the taxa, and whether that is more than chance.

    In fewer and fewer words, for narrower and narrower panels.
    """
    every = bool(np.isfinite(one["value"]) and one["outside_every_taxon"])
    plain = _words(one["value"], every, outside, compared)
    if not every:
        return [plain]
    if one["beside_ranges"] != "between":
        plain = f"{one['direction']} than every range"
    p = one["p_value_false_discovery"]
    told = "" if p != p else f", p {p_words(p)}"
    return [f"{plain}{told}", plain]


def _words_above(axes: Axes, words: str, stressed: bool) -> Text:
    return axes.annotate(
        words, (0, 1), xycoords="axes fraction", xytext=(0, 4), textcoords="offset points",
        ha="left", va="bottom", fontsize=6.5, color=QUERY if stressed else INK,
        weight="bold" if stressed else "normal",
    )  # fmt: skip


def _fit_words(text: Text, options: Sequence[str], room: float) -> None:
    """The first of several texts that has room, else the last."""
    for words in options:
        text.set_text(words)
        if text.get_window_extent().width <= room:
            return


def _members(axes: Axes, row: int, values: pd.Series, low: float, high: float, mark: dict) -> None:
    """A taxon: its range as a band, its specimens as dots that step up and down."""
    if np.isfinite(low) and np.isfinite(high):
        axes.plot([low, high], [row, row], color=_BAND, lw=8, solid_capstyle="butt", zorder=0.5)
        for end in (low, high):
            axes.plot([end, end], [row - 0.36, row + 0.36], color=GREY, lw=0.8, zorder=0.6)
    own = np.sort(values.dropna().to_numpy(dtype=float))
    lift = 0.12 * (np.arange(len(own)) % 3 - 1)
    axes.scatter(own, row + lift, s=11, edgecolor="white", linewidth=0.3, zorder=2, **mark)


def _query(axes: Axes, row: int, last: int, value: float, mark: dict) -> None:
    """A query on a row of its own, with a line down through the taxa."""
    if not np.isfinite(value):
        return
    axes.plot([value, value], [row, last + 0.5], color=QUERY, lw=0.9, zorder=1.5)
    axes.scatter(value, row, **mark | {"s": 70, "linewidth": 1.2})


def _number(value: float) -> str:
    """Three digits, and no more behind the point."""
    digits = 2 - int(np.floor(np.log10(abs(value)))) if value else 0
    return f"{value:.{min(max(digits, 0), 3)}f}"


def _beside(axes: Axes, row: int, value: float) -> None:
    """The value in words, on the side of the mark that has more room; once limits are set."""
    if not np.isfinite(value):
        return
    x = axes.transAxes.inverted().transform(axes.transData.transform((value, row)))[0]
    side = 1 if x < 0.5 else -1
    axes.annotate(_number(value), (value, row), xytext=(7 * side, 0),
                  textcoords="offset points", ha="left" if side > 0 else "right", va="center",
                  fontsize=6.5, color=QUERY, zorder=6)  # fmt: skip


def _name_rows(
    figure: Figure, panels: Iterable[Axes], queries: Sequence[str], taxa: Sequence[str]
) -> None:
    """Names at the panels on the left, which share their rows with the others."""
    names = fitted(figure, [*queries, *taxa], 24, _NAMES)
    for axes in panels:
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.5, -0.75)
        for label in axes.get_yticklabels()[: len(queries)]:
            label.set_color(QUERY)
            label.set_fontweight("bold")


def _heading(heeded: bool, passed: bool, alpha: float) -> str:
    """At which size the specimens stand, and what passes the adjustment, before anything else."""
    how = (
        "Known specimens as they would be at the query's own size (growth heeded)"
        if heeded
        else "As measured, without heed of size"
    )
    stress = "p: adjusted for the number of measurements"
    if not passed:
        stress = f"None beyond false-discovery control at {alpha:g}; {stress}"
    return f"{how}\n{stress}"


def _ranked_measurements(
    ranking: pd.DataFrame,
    values: pd.DataFrame,
    taxa_ranges: pd.DataFrame,
    query: str,
    *,
    alpha: float,
    queries: Sequence[str] = (),
    most: int = 12,
) -> Figure:
    """Draw the measurements that set a query apart best, each among the specimens of the taxa.

    Values and ranges are those at the size of the query where the ranking heeds it, else as
    measured; all queries of the study are given, so that each has one mark throughout.
    """
    queries = sorted({*queries, *ranking["query"]})
    best = ranking[ranking["query"] == query].sort_values("rank").head(most)
    if best["measurement"].duplicated().any():
        raise ValueError(
            "The ranking holds measurements twice: give the one as it is, or the one at the size "
            "of the query."
        )
    if best.empty:
        return message_figure(f"No measurement could be taken on {short(str(query), 40)}.")
    styles = taxon_marks(values["taxon"].tolist())
    mark = query_marks(queries)[query]
    own = taxa_ranges[taxa_ranges["query"] == query]
    heeded = bool(best["size_heeded"].any())
    passed = (ranking.loc[ranking["query"] == query, "p_value_false_discovery"] <= alpha).any()
    figure, panels = panel_grid(len(best), 3, _ROW * (len(styles) + 1) + _AROUND, 0.4)
    figure.suptitle(_heading(heeded, bool(passed), alpha), x=0.02, ha="left", fontsize=8.5)
    above: list[tuple[Text, list[str]]] = []
    for axes, one in zip(panels.ravel(), best.to_dict("records"), strict=False):
        part = values[values["measurement"] == one["measurement"]]
        held = (
            own[own["measurement"] == one["measurement"]].set_index("taxon").reindex(list(styles))
        )
        outside, compared = int(held["outside_range"].eq(True).sum()), int(held["minimum"].count())
        for row, (taxon, style) in enumerate(styles.items(), start=1):
            low, high = held.loc[taxon, ["minimum", "maximum"]].astype(float)
            _members(axes, row, part.loc[part["taxon"] == taxon, "value"], low, high, style)
        _query(axes, 0, len(styles), one["value"], mark)
        axes.margins(x=0.08)
        axes.set_xlabel(one["unit"])
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        stressed = one["outside_every_taxon"] and one["p_value_false_discovery"] <= alpha
        options = _standing(one, outside, compared)
        above.append((_words_above(axes, options[-1], bool(stressed)), options))
        _beside(axes, 0, one["value"])
    _name_rows(figure, panels[:, 0], [query], list(styles))
    # with the words above and below, but without titles, widths are settled
    figure.draw_without_rendering()
    for axes, (text, options) in zip(panels.ravel(), above, strict=False):
        _fit_words(text, options, axes.get_window_extent().width)
    for axes, one in zip(panels.ravel(), best.to_dict("records"), strict=False):
        both = " (both sides)" if one["other_side"] else ""
        _title(axes, f"{one['rank']}. ", one["measurement"] + both, 15)
    return figure


def _distances(ranking: pd.DataFrame, specimen: str) -> pd.DataFrame:
    """Distances of a query in their order, at its own size where there are any."""
    part = ranking[(ranking["specimen"] == specimen) & (ranking["kind"] == "distance")]
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]


@message_where(
    lambda ranking, specimen: _distances(ranking, specimen).empty,
    "No measurement could be taken on the query.",
)
def measurements(
    ranking: pd.DataFrame,
    ranges: pd.DataFrame,
    measured: pd.DataFrame,
    at_size: pd.DataFrame,
    specimen: str,
    alpha: float,
    most: int,
) -> Figure:
    """Draw the distances that set a query apart best, each among the specimens of the taxa."""
    ranking = _distances(ranking, specimen).rename(columns={"specimen": "query"})
    heeded = bool(ranking["size_heeded"].any())
    known = measured["role"] == "known"
    return _ranked_measurements(
        ranking,
        at_size[at_size["specimen"] == specimen] if heeded else measured[known],
        ranges[ranges["size_heeded"] == heeded].rename(columns={"specimen": "query"}),
        specimen,
        alpha=alpha,
        queries=measured.loc[measured["role"] == "query", "specimen"].unique().tolist(),
        most=most,
    )


def _log_axis(axes: Axes) -> None:
    axes.set_xscale("log")
    low, high = axes.get_xlim()
    plain = MaxNLocator(5, steps=[1, 2, 5, 10])
    axes.xaxis.set_major_locator(plain if high < 5 * low else LogLocator(subs=(1, 2, 5)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda ratio, _: f"{ratio:g}"))


def _place_words(axes: Axes, row: int, value: float, mine: pd.DataFrame) -> Text:
    """Beside a query: its ratio, and how many ranges it lies outside of."""
    compared = mine["ratio_minimum"].notna()
    outside = int((mine["outside_range"].astype(bool) & compared).sum())
    every = 0 < len(mine) == outside
    words = _words(value, every, outside, int(compared.sum()))
    return axes.text(
        1.0, row, f"{_number(value)}, {words}" if len(mine) else words,
        transform=axes.get_yaxis_transform(), ha="right", va="center", fontsize=6.5,
        color=QUERY if every else INK, weight="bold" if every else "normal",
    )  # fmt: skip


@message_where(
    lambda table: table["query_ratio"].isna().all(),
    "No query has two elements whose sizes could be compared.",
)
def proportions(table: pd.DataFrame, values: pd.DataFrame) -> Figure:
    """Draw ratios of the centroid sizes of elements, queries above individuals of each taxon."""
    if "query" not in table:
        table = table.rename(columns={"specimen": "query"})
    held = table[table["query_ratio"].notna()]
    queries = sorted(set(held["query"]))
    marks = query_marks(queries)
    known = values[values["role"] == "known"]
    styles = taxon_marks(known["taxon"].tolist())
    pairs = list(held[["first", "second"]].drop_duplicates().itertuples(index=False, name=None))
    last = len(queries) + len(styles) - 1
    written: list[list[Text]] = []
    figure, panels = panel_grid(len(pairs), 2, _ROW * (last + 1) + _AROUND)
    for axes, (first, second) in zip(panels.ravel(), pairs, strict=False):
        own = known[(known["first"] == first) & (known["second"] == second)]
        part = held[(held["first"] == first) & (held["second"] == second)]
        ends = part.drop_duplicates("taxon").set_index("taxon").reindex(list(styles))
        for row, (taxon, style) in enumerate(styles.items(), start=len(queries)):
            low, high = ends.loc[taxon, ["ratio_minimum", "ratio_maximum"]].astype(float)
            _members(axes, row, own.loc[own["taxon"] == taxon, "ratio"], low, high, style)
        told = []
        for row, query in enumerate(queries):
            mine = part[part["query"] == query]
            value = float(mine["query_ratio"].iloc[0]) if len(mine) else np.nan
            _query(axes, row, last, value, marks[query])
            told.append(_place_words(axes, row, value, mine))
        written.append(told)
        _log_axis(axes)
        axes.margins(x=0.06)
        axes.set_xlabel("Ratio of centroid sizes (log scale)")
    _name_rows(figure, panels[:, 0], queries, list(styles))
    figure.draw_without_rendering()
    for axes, (first, second), told in zip(panels.ravel(), pairs, written, strict=False):
        _title(axes, "", f"{short(first, 40)} / {short(second, 40)}", 4)
        # marks keep to the left of the words
        widest = 8 + 1.1 * max(text.get_window_extent().width for text in told)
        share = min(widest / axes.get_window_extent().width, 0.75)
        low, high = axes.get_xlim()
        axes.set_xlim(low, low * (high / low) ** (1 / (1 - share)))
    return figure
