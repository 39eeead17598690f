"""Which named region of a bone carries the difference of a query from a taxon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.differences.prediction import TaxonPrediction
from morpho.inference.differences.ranges import false_discovery
from morpho.inference.models.design import InferenceError
from morpho.shape.symmetry.partners import one_of_each_pair

__all__ = ["ELSEWHERE", "region_displacements"]

Array = NDArray[np.float64]

ELSEWHERE = "in no region"
"""Row of the points that belong to no region."""


def _membership_of_points(
    regions: Mapping[str, Sequence[int]], k: int, partners: ArrayLike | None
) -> dict[str, Array]:
    """A column of zeros and ones for each region, and one for the points left over.

    With partners, of one side: regions that are the same then are one, under both names.
    """
    if not regions:
        raise InferenceError("There is no region: name modules in the scheme of the element.")
    counted = one_of_each_pair(partners, k)
    image = np.arange(k) if partners is None else np.asarray(partners)
    found: list[tuple[list[str], Array]] = []
    for name, points in regions.items():
        index = np.asarray(points)
        if index.ndim != 1 or index.size == 0 or index.dtype.kind not in "iu":
            raise InferenceError(
                f"The region {name!r} must be a list of points, but is {points!r}."
            )
        beyond = index[(index < 0) | (index >= k)]
        if beyond.size:
            raise InferenceError(
                f"The region {name!r} holds point {beyond[0]} (counted from 0), but there are {k} "
                "points."
            )
        column = np.zeros(k)
        column[index] = column[image[index]] = 1.0
        same = [names for names, other in found if partners is not None and (other == column).all()]
        if same:
            same[0].append(name)
        else:
            found.append(([name], column))
    columns = {", ".join(names): column * counted for names, column in found}
    rest = counted * (np.sum([column for _, column in found], axis=0) == 0)
    if rest.any():
        if ELSEWHERE in columns:
            raise InferenceError(f"A region must not be called {ELSEWHERE!r}.")
        columns[ELSEWHERE] = rest.astype(float)
    return columns


def region_displacements(
    query: ArrayLike,
    prediction: TaxonPrediction,
    regions: Mapping[str, Sequence[int]],
    *,
    centroid_size_mm: float,
    partners: ArrayLike | None = None,
) -> pd.DataFrame:
    r"""Share of the squared distance from a taxon that lies in each region.

    Parameters
    ----------
    query : array-like of shape (n_landmarks, n_dimensions)
        Superimposed on the mean of the known specimens, of unit centroid size.
    prediction : TaxonPrediction
        From `predict_taxon`.
    regions : mapping of str to sequence of int
        Indices of the landmarks and semilandmarks of each; they may overlap. Points of none
        make a row of their own, `ELSEWHERE`.
    centroid_size_mm : float
        Of the query.
    partners : array-like of int, of shape (n_landmarks,), optional
        Where all configurations are symmetric: the landmark on the other side of each, itself
        on the midline. Both sides are one: a region holds one of each pair, and regions that are
        mirror images of each other make one row under both names.

    Returns
    -------
    DataFrame
        A row for each region, the largest share first: `region`, `points` (counted),
        `root_mean_square_mm` (displacement of its points, at the size of the query),
        `share_of_displacement` (of the sum of squares), `share_of_points`, `share_expected`
        (of the members' sum of squares, pooled over taxa), `share_p_value` (rank of the share
        among the members of the taxon), `share_p_value_all_taxa` (among specimens of all taxa)
        and `share_p_value_false_discovery` (of the latter, over regions); `distance_p_value`,
        `distance_p_value_all_taxa` and `distance_p_value_false_discovery` likewise for the sum
        of squares itself; `rank_floor`, `rank_floor_all_taxa`.

    Raises
    ------
    InferenceError
        If the query has other or missing landmarks, the size is not positive, or a region is
        empty or holds a point that does not exist.

    Notes
    -----
    Two questions. *Does the region differ?* Its sum of squares :math:`d_R = \sum_{j \in R}
    \lVert e_j \rVert^2` is ranked. *Is the difference gathered there?* Its share :math:`d_R /
    d` is ranked: it is large where the query deviates in the region more than members do,
    compared with how each deviates elsewhere, whatever the size of the whole difference. A new
    form that differs everywhere will answer yes and no.

    In both the query joins the taxon, the model is fitted anew and the statistics of all
    residuals are compared; under the hypothesis that the query is a member these are
    exchangeable within the taxon, so that the rank p-value holds its level for any number of
    members, with the floor that the number sets (Vovk, Gammerman & Shafer 2005, Algorithmic
    Learning in a Random World; very nearly where size is heeded). Ranking among
    all taxa assumes that they spread alike. A superimposition by least squares spreads a local
    change over the other regions; see `displacement`.
    """
    if not (np.isfinite(centroid_size_mm) and centroid_size_mm > 0):
        raise InferenceError(f"The centroid size must be positive, but is {centroid_size_mm} mm.")
    e = prediction.deviation(query)
    columns = _membership_of_points(regions, len(e), partners)
    M = np.column_stack(list(columns.values()))
    points = M.sum(axis=0)
    counted = one_of_each_pair(partners, len(e))
    moved, room = prediction.joined(e)

    def parts(vectors: Array) -> tuple[Array, Array]:
        squares = (vectors**2).sum(axis=-1) * counted
        whole = squares.sum(axis=-1, keepdims=True)
        return squares @ M, squares @ M / np.where(whole > 0, whole, np.nan)

    own, own_share = parts(e)
    known, known_share = parts(moved)
    known = known / np.maximum(room, 1e-300)[:, None]
    # a specimen that deviates nowhere has no share: it counts as one that reaches the query's
    known_share = np.where(np.isnan(known_share), np.inf, known_share)
    expected = (prediction.residuals**2).sum(axis=(0, 2)) * counted
    total = float(expected.sum())
    table: dict[str, object] = {
        "region": list(columns),
        "points": points.astype(int),
        "root_mean_square_mm": np.sqrt(own / points) * centroid_size_mm,
        "share_of_displacement": own_share,
        "share_of_points": points / counted.sum(),
        "share_expected": expected @ M / total if total > 0 else np.full(len(points), np.nan),
    }
    comparable = own / (1 + prediction.leverage)
    for name, statistic, of_query in (
        ("share", known_share, own_share),
        ("distance", known, comparable),
    ):
        for among, everyone in (("", False), ("_all_taxa", True)):
            p = prediction.rank_p_values(statistic, of_query, room, all_taxa=everyone)
            table[f"{name}_p_value{among}"] = np.where(np.isnan(of_query), np.nan, p)
        table[f"{name}_p_value_false_discovery"] = false_discovery(
            np.asarray(table[f"{name}_p_value_all_taxa"])
        )
    floors = [
        float(prediction.rank_p_values(np.zeros((len(room), 1)), np.ones(1), room, all_taxa=a)[0])
        for a in (False, True)
    ]
    table["rank_floor"], table["rank_floor_all_taxa"] = floors
    frame = pd.DataFrame(table)
    return frame.sort_values(
        "share_of_displacement", ascending=False, kind="stable", ignore_index=True
    )
