"""Only a juvenile? Queries against the growth line of each taxon at their own size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.membership.judging import Judgement, Shapes

__all__ = ["trajectories"]

Array = NDArray[np.float64]

_COLUMNS = [
    "specimen", "taxon", "growth_line", "taxon_specimens", "log_centroid_size", "smallest_log_size",
    "largest_log_size", "sizes_beyond", "distance", "members_as_far", "members_median_distance",
    "members_largest_distance", "p_value", "stage", "same_stage_specimens", "same_stage_as_far",
]  # fmt: skip


def trajectories(
    found: Judgement,
    known: Shapes,
    queries: Shapes,
    names: Sequence[str],
    *,
    stages: NDArray[Any],
    query_stages: Sequence[str],
) -> pd.DataFrame:
    """Distance of each query from each taxon's growth line, among those of its own members.

    Members' distances are leave-one-out residuals: each from the line that the others
    draw. Both are on the scale that allows for the error of the line, which grows with the
    distance of a size from those measured.

    Parameters
    ----------
    found : Judgement
    known, queries : Shapes
    names : sequence of str
        Of the queries.
    stages : ndarray of str, of shape (n_specimens,)
        Growth stages of the known specimens; blank where not given.
    query_stages : sequence of str

    Returns
    -------
    DataFrame
        A row for each query and taxon; empty where size could not be heeded. `growth_line` is
        'own' or 'shared'; `sizes_beyond` tells how far the query's log size lies beyond
        those measured of the taxon, as a share of their range, 0 where it lies among them;
        NaN where the taxon's members are all of one size. `same_stage_specimens` are members of
        the query's stage, compared without regard to case.
    """
    if True not in found.evidence:
        return pd.DataFrame(columns=_COLUMNS)
    evidence, spread = found.evidence[True], found.models[True].spread()
    taxon = known.taxon.astype(str)
    folded = np.char.lower(np.char.strip(stages.astype(str)))
    rows = []
    for i, name in enumerate(names):
        stage = str(query_stages[i]).strip()
        for g, label in enumerate(evidence.taxa.astype(str)):
            members = taxon == label
            sizes, own = known.log_size[members], spread[members]
            low, high = float(sizes.min()), float(sizes.max())
            at = float(queries.log_size[i])
            outside = max(low - at, at - high, 0.0)
            distance = float(evidence.comparable_distance[i, g])
            as_far = own >= distance * (1 - 1e-10)
            same = folded[members] == stage.lower() if stage else np.zeros(len(own), dtype=bool)
            alone = np.isnan(own).all()
            rows.append(
                {
                    "specimen": name,
                    "taxon": label,
                    "growth_line": "own" if label in found.own_slopes else "shared",
                    "taxon_specimens": len(own),
                    "log_centroid_size": at,
                    "smallest_log_size": low,
                    "largest_log_size": high,
                    "sizes_beyond": (
                        0.0 if outside == 0 else outside / (high - low) if high > low else np.nan
                    ),
                    "distance": distance,
                    "members_as_far": int(as_far.sum()),
                    "members_median_distance": np.nan if alone else float(np.nanmedian(own)),
                    "members_largest_distance": np.nan if alone else float(np.nanmax(own)),
                    "p_value": float(evidence.p_value[i, g]),
                    "stage": stage,
                    "same_stage_specimens": int(same.sum()),
                    "same_stage_as_far": int((as_far & same).sum()),
                }
            )
    return pd.DataFrame(rows, columns=_COLUMNS)
