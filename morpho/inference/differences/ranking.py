"""Measurements ranked by how well they set a query apart: what a differential diagnosis quotes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.differences.measurements import (
    Measurement,
    check_measured,
    measurement_columns,
)
from morpho.inference.differences.ranges import (
    RangeComparison,
    TaxonRanges,
    check_names,
    false_discovery,
)
from morpho.inference.models.design import InferenceError

__all__ = ["MeasurementComparison", "compare_measurements", "values_at_size"]

Array = NDArray[np.float64]

# Fewest specimens of a taxon that a standardised difference can be told from.
_FEWEST = 3


@dataclass(frozen=True)
class MeasurementComparison:
    """Measurements of queries beside those of each taxon.

    Attributes
    ----------
    taxa : DataFrame
        A row for each query, measurement and taxon: `query`, `measurement`, `kind`, `unit`,
        `taxon`, `specimens` (that have the measurement), `minimum`, `maximum`, `mean`,
        `standard_deviation`, `standard_deviation_unit`, `value` (of the query),
        `outside_range` (None where there is no value or range), `beyond_range` (how far past the
        nearer end of the range, 0 inside), `difference` (value less mean, in the unit) and
        `difference_percent` (of the mean; blank for angles), `standardised_difference`, `p_value`
        (of one new member, two-sided) and
        `p_value_false_discovery` (over the measurements). Where size is heeded, minimum,
        maximum and mean (geometric for distances and ratios) are those at the size of the
        query, and standard deviations of distances and ratios are of logarithms, unit
        `logarithm`: 0.05 is about 5 percent.
    ranking : DataFrame
        A row for each query and measurement, best first: `query`, `rank`, `measurement`,
        `kind`, `unit`, `value`, `taxa_compared` (of three or more specimens), `taxa_outside`
        (of any number, whose range the value lies outside of), `outside_every_taxon`,
        `beside_ranges` ('above all', 'below all' or 'between' where it is outside every taxon,
        else blank), `nearest_taxon` (by the standardised difference, of the taxa compared),
        `nearest_mean`, `difference` and `difference_percent` (from that mean, as above),
        `standardised_difference` (from it), `p_value` (the largest of the taxa compared) and
        `p_value_false_discovery`.
        The nearest taxon is blank where nothing could be compared.
    """

    taxa: pd.DataFrame
    ranking: pd.DataFrame


def _logarithms(values: Array, logged: NDArray[np.bool_]) -> Array:
    """Logarithms of distances and ratios; a length of 0 has none."""
    y = np.where(values > 0, values, np.nan)
    return np.where(logged, np.log(y), values)


def _in_units(found: RangeComparison, logged: NDArray[np.bool_]) -> dict[str, Array]:
    """Value, minimum, maximum and mean back in the units measured."""
    names = ("value", "minimum", "maximum", "mean")
    return {
        name: np.where(logged, np.exp(np.where(logged, getattr(found, name), 0.0)),
                       getattr(found, name))
        for name in names
    }  # fmt: skip


def _percent(difference: Array, mean: Array, lengths: NDArray[np.bool_]) -> Array:
    """Differences of lengths and ratios in percent of the mean."""
    return 100 * difference / np.where(lengths & (mean > 0), mean, np.nan)


def compare_measurements(
    values: ArrayLike,
    measurements: Sequence[Measurement],
    taxa: ArrayLike,
    queries: ArrayLike,
    *,
    names: Sequence[object] | None = None,
    log_size: ArrayLike | None = None,
    query_log_size: ArrayLike | None = None,
    against: str | None = None,
    spread: str = "taxon",
) -> MeasurementComparison:
    r"""Hold measurements of queries against each taxon, and rank them by separation.

    Parameters
    ----------
    values : array-like of shape (n_specimens, n_measurements)
        Of the known specimens, as `measure` gives them; NaN where one could not be taken.
    measurements : sequence of Measurement
        Of one family: the control of false discoveries runs over all of them.
    taxa : array-like of shape (n_specimens,)
    queries : array-like of shape (n_queries, n_measurements)
    names : sequence, optional
        Names of the queries; their numbers from 0 by default.
    log_size, query_log_size : array-like of shape (n_specimens,) and (n_queries,), optional
        Log centroid sizes; given, the comparison is made beyond allometry.
    against : str, optional
        The taxon that the ranking is to set the query apart from; all by default.
    spread : {'taxon', 'pooled'}
        Standard deviation that differences and p-values are judged by, see `TaxonRanges`.

    Returns
    -------
    MeasurementComparison

    Raises
    ------
    InferenceError
        If the arrays do not fit together, sizes are given for known or queries only, sizes do
        not vary within any taxon, or the taxon to compare with is unknown or has fewer than
        three specimens.

    Notes
    -----
    Measurements in which the query lies outside the range of every taxon come first, then the
    others; both by the number of taxa that they can be compared in, and then in order of the
    smallest absolute standardised difference from any of these. A range needs no number of
    specimens: every taxon that has the measurement counts, also one known by one or two. Standard
    deviations and p-values do, so that taxa of three or more are compared. A measurement that
    nobody of such a taxon has is not called outside every taxon.

    P-values are those of one new member of the taxon, two-sided; the ranking has the largest
    of them over the taxa compared, which tests 'it belongs to none of these' without further
    correction (intersection-union test: Berger 1982, Technometrics 24(4), 295-300); of smaller taxa
    it says nothing. Each is then adjusted over the measurements, see `false_discovery`. Ranges
    widen with the number of specimens: that a new member falls outside the range of :math:`n`
    others has probability :math:`2/(n+1)`.

    Beyond allometry: the logarithm of each distance or ratio, and each angle as it is, is
    regressed on log centroid size with one slope within taxa (Klingenberg 2016, Development
    Genes and Evolution 226(3), 113-137, on allometry), see `TaxonRanges`.
    """
    y = check_measured(values, measurements, "values")
    asked = check_measured(queries, measurements, "queries")
    query_names = check_names(names, len(asked), "queries")
    if (log_size is None) != (query_log_size is None):
        raise InferenceError("`log_size` and `query_log_size` are given together or not at all.")
    logged = np.array([m.kind != "angle" for m in measurements]) & (log_size is not None)
    model = TaxonRanges(spread=spread).fit(_logarithms(y, logged), taxa, log_size)
    found = model.compare(_logarithms(asked, logged), query_log_size)
    units = _in_units(found, logged)
    heeded = _taxa_to_heed(found, against)
    ranged = np.ones_like(heeded) if against is None else heeded
    return MeasurementComparison(
        taxa=_taxon_table(found, units, logged, measurements, query_names),
        ranking=_ranking(found, units, heeded, ranged, measurements, query_names),
    )


def values_at_size(
    values: ArrayLike,
    measurements: Sequence[Measurement],
    taxa: ArrayLike,
    log_size: ArrayLike,
    query_log_size: float,
) -> Array:
    """Measurements of the known specimens as they would be at the size of a query.

    Parameters
    ----------
    values : array-like of shape (n_specimens, n_measurements)
    measurements : sequence of Measurement
    taxa, log_size : array-like of shape (n_specimens,)
    query_log_size : float

    Returns
    -------
    ndarray of shape (n_specimens, n_measurements)
        Their least and largest in each taxon are the ranges of `compare_measurements`.

    Raises
    ------
    InferenceError
        If the arrays do not fit together, or sizes do not vary within any taxon.
    """
    y = check_measured(values, measurements, "values")
    logged = np.array([m.kind != "angle" for m in measurements])
    found = TaxonRanges().fit(_logarithms(y, logged), taxa, log_size).at_size(query_log_size)
    return np.where(logged, np.exp(np.where(logged, found, 0.0)), found)


def _taxa_to_heed(found: RangeComparison, against: str | None) -> NDArray[np.bool_]:
    enough = found.specimens.max(axis=1) >= _FEWEST
    if against is None:
        return enough
    chosen = found.taxa.astype(str) == against
    if not chosen.any():
        raise InferenceError(f"No taxon {against!r}; there are {found.taxa.tolist()}.")
    if not (chosen & enough).any():
        raise InferenceError(
            f"The taxon {against!r} has {int(found.specimens[chosen].max())} measured specimens; "
            f"at least {_FEWEST} are needed to rank measurements by."
        )
    return chosen


def _taxon_table(
    found: RangeComparison,
    units: dict[str, Array],
    logged: NDArray[np.bool_],
    measurements: Sequence[Measurement],
    names: list,
) -> pd.DataFrame:
    adjusted = false_discovery(found.p_value)
    shape = found.p_value.transpose(0, 2, 1).shape
    query, number, taxon = (index.ravel() for index in np.indices(shape))

    def rows(values: NDArray) -> NDArray:
        return values.transpose(0, 2, 1).ravel()

    value, mean = units["value"][query, number], rows(units["mean"])
    low, high = rows(units["minimum"]), rows(units["maximum"])
    outside = rows(found.outside)
    past = np.where(outside, np.maximum(low - value, value - high), 0.0)
    kinds = measurement_columns(measurements, number)
    return pd.DataFrame(
        {
            "query": np.array(names, dtype=object)[query],
            **kinds,
            "taxon": found.taxa[taxon],
            "specimens": found.specimens[taxon, number],
            "minimum": low,
            "maximum": high,
            "mean": mean,
            "standard_deviation": found.standard_deviation[taxon, number],
            "standard_deviation_unit": np.where(logged[number], "logarithm", kinds["unit"]),
            "value": value,
            "outside_range": rows(found.outside_or_blank),
            "beyond_range": np.where(np.isnan(value) | np.isnan(low), np.nan, past),
            "difference": value - mean,
            "difference_percent": _percent(value - mean, mean, kinds["kind"] != "angle"),
            "standardised_difference": rows(found.standardised_difference),
            "p_value": rows(found.p_value),
            "p_value_false_discovery": rows(adjusted),
        }
    )


def _ranking(
    found: RangeComparison,
    units: dict[str, Array],
    heeded: NDArray[np.bool_],
    ranged: NDArray[np.bool_],
    measurements: Sequence[Measurement],
    names: list,
) -> pd.DataFrame:
    """Best first: ranges of all taxa that are ranged, differences from those that are heeded."""
    value = units["value"]
    g = found.standardised_difference[:, heeded]
    compared = ~np.isnan(g)
    count = compared.sum(axis=1)
    some = count > 0
    has_range = np.isfinite(found.minimum) & np.isfinite(value)[:, None, :]
    beyond = found.outside & has_range
    outside = beyond[:, ranged].sum(axis=1)
    every = (beyond | ~has_range)[:, ranged].all(axis=1) & has_range[:, heeded].all(axis=1) & some
    above = (beyond & (found.value[:, None] > found.maximum))[:, ranged].sum(axis=1)
    beside = np.where(above == outside, "above all", np.where(above, "between", "below all"))
    beside = np.where(every, beside, "")
    lengths = np.array([m.kind != "angle" for m in measurements])
    distance = np.where(compared, np.abs(g), np.inf)
    mean = np.full(value.shape, np.nan)
    if heeded.any():
        nearest = distance.argmin(axis=1)
        signed = np.take_along_axis(g, nearest[:, None], axis=1)[:, 0]
        p = np.where(compared, found.p_value[:, heeded], -np.inf).max(axis=1)
        taxon = found.taxa.astype(object)[heeded][nearest]
        mean = np.take_along_axis(units["mean"][:, heeded], nearest[:, None], axis=1)[:, 0]
    else:
        signed, p = np.full(value.shape, np.nan), np.zeros(value.shape)
        taxon = np.full(value.shape, "", dtype=object)
    p, mean = np.where(some, p, np.nan), np.where(some, mean, np.nan)
    percent = _percent(value - mean, mean, lengths)
    adjusted = false_discovery(p)
    tables = []
    for q, name in enumerate(names):
        smallest = np.where(some[q], np.abs(signed[q]), -1.0)
        order = np.lexsort((-smallest, -count[q], ~every[q]))
        tables.append(
            pd.DataFrame(
                {
                    "query": np.full(len(order), name, dtype=object),
                    "rank": np.arange(1, len(order) + 1),
                    **measurement_columns(measurements, order),
                    "value": value[q, order],
                    "taxa_compared": count[q, order],
                    "taxa_outside": outside[q, order],
                    "outside_every_taxon": every[q, order],
                    "beside_ranges": beside[q, order],
                    "nearest_taxon": np.where(some[q], taxon[q], "")[order],
                    "nearest_mean": mean[q, order],
                    "difference": (value - mean)[q, order],
                    "difference_percent": percent[q, order],
                    "standardised_difference": signed[q, order],
                    "p_value": p[q, order],
                    "p_value_false_discovery": adjusted[q, order],
                }
            )
        )
    return pd.concat(tables, ignore_index=True)
