"""Where a query differs: rows of its tables for the words of differences.jinja."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from morpho.inference.differences.regions import ELSEWHERE
from morpho.report.words.writing import as_plain, said
from morpho.results.rows import rows_on

__all__ = ["difference_words", "nothing_passes"]


def nothing_passes(table: pd.DataFrame, alpha: float) -> str:
    """That nothing in a ranked table passes the adjustment for the number of tests."""
    of_shares = "share_p_value_false_discovery"
    p = table[of_shares if of_shares in table else "p_value_false_discovery"].dropna()
    if (p <= alpha).any():
        return ""
    smallest = None if p.empty else float(p.min())
    return as_plain(said("differences", "nothing_passes", smallest, alpha))


def difference_words(
    tables: Mapping[str, pd.DataFrame], specimen: str, taxon: str, alpha: float
) -> list[str]:
    """Sentences on where a query differs from its nearest taxon."""
    moved, fits, parts, ranking = (
        rows_on(tables[name], specimen, taxon).to_dict("records")
        for name in ("displacements", "fits", "region_displacements", "measurement_ranking")
    )
    words = [
        said("differences", "landmarks", moved, fits, alpha),
        said("differences", "fits", fits),
        said("differences", "regions", parts, ELSEWHERE, alpha),
        said("differences", "measurements", ranking, alpha),
    ]
    return [text for text in map(as_plain, words) if text]
