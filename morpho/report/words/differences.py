"""Where a query differs: facts of its tables for the words of differences.jinja."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.inference.differences.regions import ELSEWHERE
from morpho.report.words.writing import as_plain, said
from morpho.results.analysed import rows_on
from morpho.results.directions import lengths_words

__all__ = ["difference_words", "nothing_passes"]

Tables = Mapping[str, pd.DataFrame]


def _regions(parts: pd.DataFrame, alpha: float) -> Markup:
    parts = parts.sort_values("share_of_displacement", ascending=False)
    p = parts["share_p_value_false_discovery"]
    first = (parts[p <= alpha] if (p <= alpha).any() else parts).iloc[0].to_dict()
    region = str(first["region"]).replace("_", " ").replace(", ", " with ")
    first |= {"region": region, "elsewhere": region == ELSEWHERE}
    return said("differences", "regions", first, float(p.min()), alpha)


def nothing_passes(table: pd.DataFrame, alpha: float) -> str:
    """That nothing in a ranked table passes the adjustment for the number of tests."""
    of_shares = "share_p_value_false_discovery"
    p = table[of_shares if of_shares in table else "p_value_false_discovery"].dropna()
    if (p <= alpha).any():
        return ""
    smallest = None if p.empty else float(p.min())
    return as_plain(said("differences", "nothing_passes", smallest, alpha))


def _measurements(ranking: pd.DataFrame, alpha: float) -> Markup:
    distances = ranking[ranking["kind"] == "distance"].sort_values("rank")
    if distances.empty:
        return Markup()
    outside = distances[distances["outside_every_taxon"]]
    told = [
        row
        | {
            "by": lengths_words(
                row["direction"], row["difference"], row["difference_percent"], row["unit"]
            )
        }
        for row in outside.to_dict("records")
    ]
    facts: dict[str, Any] = {
        "distances": len(distances),
        "paired": bool((distances["other_side"] != "").any()),
        "heeded": bool(distances["size_heeded"].any()),
        "outside": told,
        "passed": [row for row in told if row["p_value_false_discovery"] <= alpha],
        "small": bool((outside["taxa_outside"] > outside["taxa_compared"]).any()),
        "smallest": float(outside["p_value_false_discovery"].min()),
    }
    return said("differences", "measurements", facts, alpha)


def difference_words(tables: Tables, specimen: str, taxon: str, alpha: float) -> list[str]:
    """Sentences on where a query differs from its nearest taxon."""
    moved, fits, parts, ranking = (
        rows_on(tables[name], specimen, taxon)
        for name in ("displacements", "fits", "region_displacements", "measurement_ranking")
    )
    words = []
    if len(moved):
        frame = str(fits["frame"].iloc[0]) if len(fits) else ""
        rows = moved[moved["counted"]].to_dict("records")
        words.append(said("differences", "landmarks", rows, frame, alpha))
    if len(fits):
        words.append(said("differences", "fits", fits.iloc[0].to_dict()))
    if len(parts):
        words.append(_regions(parts, alpha))
    if len(ranking):
        words.append(_measurements(ranking, alpha))
    return [text for text in map(as_plain, words) if text]
