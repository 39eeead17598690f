"""Tables of all distances and ratios between landmarks, against a loop over pairs."""

from __future__ import annotations

import statistics

import numpy as np
import pandas as pd
from measuring import Array, Row, median_ratio, random_bones, seconds_in_turn
from scipy.spatial.distance import euclidean
from scipy.stats import t

from morpho.inference.differences.measurements import (
    all_distances,
    measure,
    ratios,
    taxon_measurements,
)
from morpho.inference.differences.ranking import MeasurementComparison, compare_measurements

__all__ = ["all_tables", "by_loop", "run"]

_TAXA = 5


def _distances(X: Array, taxa: Array, queries: Array) -> MeasurementComparison:
    """Distances beside each taxon, as they are."""
    chosen = all_distances([f"landmark {i}" for i in range(X.shape[1])])
    return compare_measurements(measure(X, chosen), chosen, taxa, measure(queries, chosen))


def all_tables(X: Array, taxa: Array, queries: Array, log_size: Array) -> int:
    """Values, summary, ranges and ranking of all distances and ratios, as is and beyond allometry.

    Returns
    -------
    int
        Rows of all tables.
    """
    distances = all_distances([f"landmark {i}" for i in range(X.shape[1])])
    rows = 0
    for chosen in (distances, ratios(distances, distances[0])):
        known, asked = measure(X, chosen), measure(queries, chosen)
        rows += known.size + asked.size + len(taxon_measurements(known, chosen, taxa))
        for sizes in ((None, None), (log_size[: len(X)], log_size[len(X) :])):
            found = compare_measurements(
                known, chosen, taxa, asked, log_size=sizes[0], query_log_size=sizes[1]
            )
            rows += len(found.taxa) + len(found.ranking)
    return rows


def by_loop(X: Array, taxa: Array, queries: Array, pairs: Array) -> pd.DataFrame:
    """Distances of pairs of landmarks beside each taxon: pair by pair, query by query."""
    rows = []
    for a, b in pairs:
        known = np.array([euclidean(x[a], x[b]) for x in X])
        for q, query in enumerate(queries):
            value = euclidean(query[a], query[b])
            for taxon in np.unique(taxa):
                own = known[taxa == taxon]
                n, s = len(own), own.std(ddof=1)
                far = abs(value - own.mean()) / (s * np.sqrt(1 + 1 / n))
                outside = not own.min() <= value <= own.max()
                p = 2 * t.sf(far, n - 1)
                rows.append((q, a, b, taxon, n, own.min(), own.max(), own.mean(), s, outside, p))
    columns = ["query", "a", "b", "taxon", "specimens", "minimum", "maximum", "mean",
               "standard_deviation", "outside_range", "p_value"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def run(
    n: int = 200, k: int = 60, queries: int = 5, sampled: int = 60, repeats: int = 3
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    n, k : int
        Known specimens and landmarks.
    queries : int
    sampled : int
        Pairs of landmarks that the loop goes through; its time is multiplied up to all.
    repeats : int

    Returns
    -------
    list of Row
    """
    bones = random_bones(n + queries, k)
    X, asked = bones[:n], bones[n:]
    taxa = np.array([f"taxon {i % _TAXA}" for i in range(n)])
    middle = bones - bones.mean(axis=1, keepdims=True)
    log_size = np.log(np.linalg.norm(middle, axis=(1, 2)))
    every = np.column_stack(np.triu_indices(k, 1))
    pairs = every[:: max(1, len(every) // sampled)][:sampled]

    table = _distances(X, taxa, asked).taxa
    names = [f"landmark {a} to landmark {b}" for a, b in pairs]
    loop = by_loop(X, taxa, asked, pairs)
    ours = table.set_index(["query", "measurement", "taxon"])
    measured = np.repeat(names, queries * len(np.unique(taxa)))
    key = list(zip(loop["query"], measured, loop["taxon"], strict=True))
    columns = ["specimens", "minimum", "maximum", "mean", "standard_deviation", "outside_range",
               "p_value"]  # fmt: skip
    found = ours.loc[key, columns].to_numpy(dtype=float)
    apart = np.abs(found - loop[columns].to_numpy(dtype=float)).max()
    if not apart < 1e-9:
        raise AssertionError(f"The two versions differ by {apart}.")
    seconds = seconds_in_turn(
        {
            "all": lambda: all_tables(X, taxa, asked, log_size),
            "distances": lambda: _distances(X, taxa, asked),
            "loop": lambda: by_loop(X, taxa, asked, pairs),
        },
        repeats,
    )
    seconds["loop"] = [s * len(every) / len(pairs) for s in seconds["loop"]]
    middle_of = {name: statistics.median(s) for name, s in seconds.items()}
    rows = all_tables(X, taxa, asked, log_size)
    ratio = median_ratio(seconds["loop"], seconds["distances"])
    size = f"{n} x {k}, {queries} queries"
    return [
        Row(f"all measurement tables, {size}: {rows:,} values and rows",
            f"{middle_of['all']:.2f} s", "", middle_of["all"], "s", "< 5", middle_of["all"] < 5),
        Row(f"distances beside each taxon, {size}, vs a loop over pairs",
            f"{middle_of['distances']:.2f} s",
            f"{middle_of['loop']:.1f} s (from {len(pairs)} pairs)", ratio, "times", ">= 5",
            ratio >= 5),
    ]  # fmt: skip
