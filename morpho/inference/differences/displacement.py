"""Where a query differs: each landmark's displacement from what a taxon would have there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.differences.prediction import TaxonPrediction
from morpho.inference.differences.ranges import check_names, false_discovery
from morpho.inference.models.design import InferenceError
from morpho.inference.models.distances import typicality
from morpho.shape.resistant import resistant_fit
from morpho.shape.symmetry.partners import one_of_each_pair

__all__ = ["Displacement", "displacement"]

Array = NDArray[np.float64]

# A variance below this share of the usual one is rounding: no variation in that direction.
_FLAT = 1e-12
# A deviation above this share of the usual one, in such a direction, is no rounding.
_IMPOSSIBLE = 1e-6


@dataclass(frozen=True)
class Displacement:
    """Displacement of a query's landmarks from the prediction of a taxon.

    Attributes
    ----------
    taxon : str
    table : DataFrame
        A row for each landmark and semilandmark, the most unusual first (`in_taxon_sd`):
        `landmark`; `rank`; `counted`, False for the second of two mirror images, which follows
        the first, with its rank; `displacement_mm`; its components `x_mm`, `y_mm` and, in space,
        `z_mm`, from the prediction to the query; `taxon_sd_mm`, the usual displacement of members,
        as root mean square; `in_taxon_sd`, the one in units of the other; `p_value` and,
        within its family, `p_value_false_discovery`; `rank_p_value`;
        `resistant_displacement_mm` and `resistant_in_taxon_sd`, by a fit that few landmarks do
        not drag along; `fits_differ_mm`, the distance between the two vectors; `fits_differ`,
        whether that exceeds the bound. All mm are at the size of the query.
    rank_floor : float
        The least that a rank p-value can be.
    fits_rank_correlation : float
        Spearman's correlation between the displacements of the two fits, over the landmarks
        counted; NaN where they do not vary.
    share_of_fits_differing : float
        Share of the landmarks counted where they differ by more than the bound.
    bound_in_sd : float
        That bound, in `taxon_sd_mm` of each landmark.
    """

    taxon: str
    table: pd.DataFrame
    rank_floor: float
    fits_rank_correlation: float
    share_of_fits_differing: float
    bound_in_sd: float


def _predictive(e: Array, R: Array, v: float, h: float) -> Array:
    """Hotelling's test of each landmark, in the directions in which it varies at all."""
    S = np.einsum("nki,nkj->kij", R, R) / v
    variances, axes = np.linalg.eigh(S)
    usual = float(np.trace(S, axis1=1, axis2=2).mean())
    varies = variances > _FLAT * np.maximum(usual, variances.max(axis=1, keepdims=True))
    z = np.einsum("kij,ki->kj", axes, e)
    squared = np.where(varies, z**2 / np.where(varies, variances, 1.0), 0.0).sum(axis=1)
    p = np.full(len(e), np.nan)
    directions = varies.sum(axis=1)
    for m in range(1, e.shape[1] + 1):
        here = directions == m
        p[here] = typicality(squared[here], m, int(v + 1e-9), h)
    impossible = np.where(varies, 0.0, np.abs(z)).max(axis=1)
    return np.where(impossible > _IMPOSSIBLE * np.sqrt(usual), np.nan, p)


def _usual(squares: Array, v: float) -> Array:
    """Root mean square over specimens; NaN for a landmark that never moves."""
    s = np.sqrt(squares.sum(axis=0) / v)
    return np.where(s**2 > _FLAT * float((s**2).mean()), s, np.nan)


def _resistant(X: Array, target: Array) -> Array:
    """Displacements by the resistant fit, in units of each configuration's own size."""
    aligned, scales = resistant_fit(X, target[None])
    return (aligned - target) / scales[:, None, None]


def _adjusted(
    p: Array, families: Sequence[object] | NDArray[Any] | None, counted: NDArray[np.bool_]
) -> Array:
    """P-values of the landmarks counted, adjusted within each family; NaN for the others."""
    labels = np.zeros(len(p)) if families is None else np.asarray(families)
    if labels.shape != p.shape:
        raise InferenceError(
            f"`families` must have {len(p)} entries, one a landmark, but has {len(labels)}."
        )
    adjusted = np.full_like(p, np.nan)
    for family in np.unique(labels):
        chosen = (labels == family) & counted
        adjusted[chosen] = false_discovery(p[chosen])
    return adjusted


def _rank_correlation(a: Array, b: Array) -> float:
    from scipy.stats import rankdata  # takes long to import

    ranks = rankdata(a), rankdata(b)
    if np.ptp(ranks[0]) == 0 or np.ptp(ranks[1]) == 0:
        return float("nan")
    return float(np.corrcoef(*ranks)[0, 1])


def displacement(
    query: ArrayLike,
    prediction: TaxonPrediction,
    *,
    centroid_size_mm: float,
    names: Sequence[object] | None = None,
    families: Sequence[object] | NDArray[Any] | None = None,
    partners: ArrayLike | None = None,
    spread: str = "pooled",
    bound_in_sd: float = 1.0,
) -> Displacement:
    r"""Displacement of each landmark of a query from the prediction of a taxon.

    Parameters
    ----------
    query : array-like of shape (n_landmarks, n_dimensions)
        Superimposed on the mean of the known specimens, of unit centroid size.
    prediction : TaxonPrediction
        From `predict_taxon`: the mean of a taxon, or beyond allometry its shape at the size
        of the query.
    centroid_size_mm : float
        Of the query.
    names : sequence, optional
        Of the landmarks; their numbers from 0 by default.
    families : sequence of length n_landmarks, optional
        P-values of points with one label are adjusted together and apart from all others; all
        together by default. What is to be said of the landmarks alone needs a family of
        landmarks alone: false discoveries are not held within a part of a family.
    partners : array-like of int, of shape (n_landmarks,), optional
        Where all configurations are symmetric: the landmark on the other side of each, itself
        on the midline. Two mirror images are one observation: one test, one p-value, one rank.
    spread : {'pooled', 'taxon'}
        Whether variation within taxa is told from all taxa or from this one alone.
    bound_in_sd : float
        Difference between the two fits, in usual displacements of the landmark, above which
        they are said to differ there.

    Returns
    -------
    Displacement

    Raises
    ------
    InferenceError
        If the query has other or missing landmarks, the size is not positive, names or families
        do not fit, or no variation within the taxon is left to judge by.

    Notes
    -----
    *Predictive p-value.* With :math:`e_j` the query's deviation at landmark :math:`j`,
    :math:`S_j` the covariance of the landmark's coordinates within taxa on :math:`v` degrees
    of freedom, and :math:`h` the leverage of the prediction, :math:`D_j^2 = e_j^\top S_j^{-1}
    e_j` is Hotelling's :math:`T^2` of one new observation (`typicality`). Directions in which
    a landmark never varies, as across the plane of symmetry, do not take part; the p-value is
    NaN where the query deviates in such a direction, where there is no direction left, and
    where :math:`v` is less than their number. P-values are adjusted family by family, see
    `false_discovery`: they are those with a chance to pass it. With `spread='taxon'` the degrees
    of freedom are rounded down.

    *Rank p-value.* The query joins the taxon, the model is fitted anew, and the lengths
    :math:`\lVert e_{ij} \rVert / \sqrt{1 - h_{ii}}` of the members, which rise and fall with
    leave-one-out distances, are ranked (conformal prediction, see `Membership`). It assumes no
    distribution, and cannot be less than 1 / (members + 1), too much to pass any
    adjustment: it stands beside the other as a check on it.

    *Caution.* A superimposition by least squares spreads a large local change over all
    landmarks: those that agree are shifted away, and a bone with one long process is scaled
    down (Rohlf & Slice 1990, Systematic Zoology 39(1), 40-59, on resistant fits). So the
    query is also brought onto the prediction by a `resistant_fit`, which leaves the change
    where it is if most landmarks agree. What is usual for that fit comes from the known
    specimens fitted in the same way. Landmarks far out by both fits are safe to name; where the
    two differ, say which one is quoted. If the change is everywhere, the resistant fit has no
    better claim.
    """
    if spread not in ("pooled", "taxon"):
        raise InferenceError(f"`spread` must be 'pooled' or 'taxon', but is {spread!r}.")
    if not (np.isfinite(centroid_size_mm) and centroid_size_mm > 0):
        raise InferenceError(f"The centroid size must be positive, but is {centroid_size_mm} mm.")
    if not bound_in_sd > 0:
        raise InferenceError(f"`bound_in_sd` must be positive, but is {bound_in_sd}.")
    e = prediction.deviation(query)
    labels = check_names(names, len(e), "landmarks")
    counted = one_of_each_pair(partners, len(e))
    image = np.arange(len(e)) if partners is None else np.asarray(partners)
    first = np.where(counted, np.arange(len(e)), image)
    used, v = prediction.spread(pooled=spread == "pooled")
    R = prediction.residuals[used]
    if v < 1 - 1e-9 or not float((R**2).sum()) > 1e-20:
        raise InferenceError(
            f"{prediction.taxon!r} has no variation of its own to judge by: take the pooled spread."
            if spread == "taxon"
            else "The known specimens do not vary within taxa: there is nothing to judge by.",
            "no_variation",
        )
    length = np.linalg.norm(e, axis=1)
    usual = _usual((R**2).sum(axis=2), v)
    p = _predictive(e, R, v, prediction.leverage)
    moved, room = prediction.joined(e)
    squares = (moved**2).sum(axis=2) / np.maximum(room, 1e-300)[:, None]
    rank = prediction.rank_p_values(squares, length**2 / (1 + prediction.leverage), room)

    held = _resistant(prediction.shape[None] + R, prediction.shape)
    held_usual = _usual((held**2).sum(axis=2), v)
    firm = _resistant((prediction.shape + e)[None], prediction.shape)[0]
    firm_length = np.linalg.norm(firm, axis=1)
    apart = np.linalg.norm(e - firm, axis=1)
    differ = apart > bound_in_sd * np.where(np.isnan(usual), np.inf, usual)

    parts = {f"{axis}_mm": e[:, i] * centroid_size_mm for i, axis in enumerate("xyz"[: e.shape[1]])}
    table = pd.DataFrame(
        {
            "landmark": labels,
            "counted": counted,
            "displacement_mm": length * centroid_size_mm,
            **parts,
            "taxon_sd_mm": usual * centroid_size_mm,
            "in_taxon_sd": length / usual,
            "p_value": p,
            "p_value_false_discovery": _adjusted(p, families, counted)[first],
            "rank_p_value": rank,
            "resistant_displacement_mm": firm_length * centroid_size_mm,
            "resistant_in_taxon_sd": firm_length / held_usual,
            "fits_differ_mm": apart * centroid_size_mm,
            "fits_differ": differ,
        }
    )
    unusual = np.where(np.isnan(length / usual), -1.0, length / usual)[first]
    table = table.iloc[np.lexsort((~counted, first, -unusual))].reset_index(drop=True)
    table.insert(1, "rank", table["counted"].cumsum())
    return Displacement(
        taxon=prediction.taxon,
        table=table,
        rank_floor=1 / (int(prediction.member.sum()) + 1),
        fits_rank_correlation=_rank_correlation(length[counted], firm_length[counted]),
        share_of_fits_differing=float(differ[counted].mean()),
        bound_in_sd=float(bound_in_sd),
    )
