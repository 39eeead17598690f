"""Sentences on where a query differs: landmarks, regions, measurements, and how safe that is."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from morpho.inference.differences.regions import ELSEWHERE
from morpho.report.words.filters import percent
from morpho.results.directions import lengths_words
from morpho.results.wording import counted, number, p_value_words, p_words

__all__ = ["difference_words", "nothing_passes"]

Tables = Mapping[str, pd.DataFrame]

# Landmarks and measurements that are named.
_NAMED = 5


def _largest(part: pd.DataFrame) -> pd.DataFrame:
    """Rows at the query's own size, or as it is where there are none."""
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]


def _both_sides(row: Mapping[Hashable, Any]) -> str:
    """A landmark with its mirror image."""
    other = row["other_side"]
    return f"{row['landmark']} and {other}" if other else str(row["landmark"])


def _landmarks(moved: pd.DataFrame, frame: str, alpha: float) -> str:
    landmarks = moved[(moved["kind"] == "landmark") & moved["counted"]].sort_values("rank")
    passed = landmarks[landmarks["p_value_false_discovery"] <= alpha]
    taxon = str(moved["taxon"].iloc[0])
    where = "at its own size" if moved["size_heeded"].iloc[0] else "as it is"
    number_of = counted(len(landmarks), "landmark")
    if (landmarks["other_side"] != "").any():
        number_of += " (a left and a right one counted once)"
    others = moved[(moved["kind"] != "landmark") & moved["counted"]]
    off = int((others["p_value_false_discovery"] <= alpha).sum())
    apart = ""
    if len(others):
        do = "does" if off == 1 else "do"
        apart = f" Of {counted(len(others), 'semilandmark')}, adjusted apart, {off or 'none'} {do}."
    if passed.empty:
        return (
            f"None of {number_of} was detected at {alpha:g} to lie farther from {taxon} ({where}) "
            f"than members do, once their number is heeded.{apart}"
        )
    each = [
        f"{_both_sides(row)} ({row['direction']}; {number(row['displacement_mm'])} mm "
        f"in all, {number(row['in_taxon_sd'])} times the usual"
        + (f"; {row['definition'].rstrip('.')}" if row["definition"] else "")
        + ("; estimated" if row["estimated"] else "")
        + ")"
        for row in passed.head(_NAMED).to_dict("records")
    ]
    return (
        f"Compared with {taxon} {where}, {len(passed)} of {number_of} "
        f"{'lies' if len(passed) == 1 else 'lie'} off beyond false-discovery control at "
        f"{alpha:g}; most so, held against the usual displacement of members: {'; '.join(each)}."
        + (f" Directions: {frame}." if frame else "")
        + apart
    )


def _fits(fits: pd.DataFrame) -> str:
    row = _largest(fits).iloc[0]
    alike = row["fits_rank_correlation"]
    ranks = (
        "cannot be ranked beside it"
        if alike != alike
        else f"ranks the points {'much alike' if alike >= 0.8 else 'differently'} (Spearman's "
        f"correlation {number(alike)})"
    )
    text = (
        f"A fit that a local change does not drag along {ranks}; the two differ by more than one "
        f"usual displacement at {percent(row['share_of_fits_differing'])} of the points"
    )
    if row["share_of_fits_differing"] > 0.2:
        return text + ": part of the displacements may be a local change that was spread."
    return text + "."


def _regions(parts: pd.DataFrame, alpha: float) -> str:
    parts = parts.sort_values("share_of_displacement", ascending=False)
    p = parts["share_p_value_false_discovery"]
    first = parts[p <= alpha].iloc[0] if (p <= alpha).any() else parts.iloc[0]
    region = str(first["region"]).replace("_", " ").replace(", ", " with ")
    where = "points of no named region" if region == ELSEWHERE else region
    text = (
        f"Of the difference {percent(first['share_of_displacement'])} lies in {where}, which holds "
        f"{percent(first['share_expected'])} of the variation within taxa"
    )
    if p.isna().all():
        return text + "."
    if (p <= alpha).any():
        found = p_words(first["share_p_value_false_discovery"])
        return (
            f"{text}: a larger share than members have there ({found} after false-discovery "
            "control)."
        )
    return (
        f"No region was detected at {alpha:g} to hold a larger share than members have there "
        f"(smallest {p_words(p.min())} after false-discovery control). {text}, the largest share."
    )


def nothing_passes(table: pd.DataFrame, alpha: float) -> str:
    """That nothing in a ranked table passes the adjustment for the number of tests.

    Parameters
    ----------
    table : DataFrame
        With `p_value_false_discovery`, or the same of shares.
    alpha : float

    Returns
    -------
    str
        Blank where something passes.
    """
    of_shares = "share_p_value_false_discovery"
    p = table[of_shares if of_shares in table else "p_value_false_discovery"].dropna()
    if (p <= alpha).any():
        return ""
    if p.empty:
        return "none could be tested"
    return f"none beyond false-discovery control at {alpha:g} (smallest {p_words(float(p.min()))})"


def _measurement(row: Mapping[Hashable, Any]) -> str:
    """A distance in words: its value, which way it differs and by how much."""
    beside = {"above all": "above every range", "below all": "below every range"}
    by = lengths_words(row["direction"], row["difference"], row["difference_percent"], row["unit"])
    both = "on both sides, " if row["other_side"] else ""
    return (
        f"{str(row['measurement']).replace('_', ' ')} ({both}{number(row['value'])} "
        f"{row['unit']}; {by} than the mean of {row['nearest_taxon']}, "
        f"{number(abs(row['standardised_difference']))} of its standard deviations; "
        f"{beside.get(row['beside_ranges'], 'between the ranges')})"
    )


def _measurements(ranking: pd.DataFrame, alpha: float) -> str:
    distances = ranking[ranking["kind"] == "distance"].sort_values("rank")
    outside = distances[distances["outside_every_taxon"]]
    if distances.empty:
        return ""
    where = "at its own size" if distances["size_heeded"].any() else "as it is"
    number_of = f"{counted(len(distances), 'distance')} between landmarks"
    if (distances["other_side"] != "").any():
        number_of += " (the two sides as one)"
    if outside.empty:
        return f"None of {number_of} lies outside the range of every taxon ({where})."
    passed = outside[outside["p_value_false_discovery"] <= alpha]
    small = (outside["taxa_outside"] > outside["taxa_compared"]).any()
    tested = " against taxa of three or more specimens" if small else ""
    lie = "lies" if len(outside) == 1 else "lie"
    if passed.empty:
        least = float(outside["p_value_false_discovery"].min())
        first = "; ".join(map(_measurement, outside.head(_NAMED).to_dict("records")))
        return (
            f"None of {number_of} lies outside the range of every taxon beyond false-discovery "
            f"control at {alpha:g} ({where}; smallest p-value after it {p_value_words(least)}"
            f"{tested}): {len(outside)} {lie} outside all ranges, as some will by chance; first: "
            f"{first}."
        )
    return (
        f"{len(outside)} of {number_of} {lie} outside the range of every taxon ({where}), "
        f"{len(passed)} of them beyond false-discovery control at {alpha:g}{tested}: "
        f"{'; '.join(map(_measurement, passed.head(_NAMED).to_dict('records')))}."
    )


def difference_words(tables: Tables, specimen: str, taxon: str, alpha: float) -> list[str]:
    """Sentences on where a query differs from its nearest taxon.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    specimen, taxon : str
        The query and its nearest taxon.
    alpha : float
        Level of the control of false discoveries.

    Returns
    -------
    list of str
    """

    def of(name: str) -> pd.DataFrame:
        part = tables[name]
        part = part[part["specimen"] == specimen]
        return part[part["taxon"] == taxon] if "taxon" in part else part

    words = []
    if len(of("displacements")):
        frame = str(of("fits")["frame"].iloc[0]) if len(of("fits")) else ""
        words.append(_landmarks(_largest(of("displacements")), frame, alpha))
    if len(of("fits")):
        words.append(_fits(of("fits")))
    if len(of("region_displacements")):
        words.append(_regions(_largest(of("region_displacements")), alpha))
    if len(of("measurement_ranking")):
        words.append(_measurements(_largest(of("measurement_ranking")), alpha))
    return [text for text in words if text]
