"""Relative sizes of the elements of one individual, held against each taxon."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.differences.ranges import TaxonRanges, check_names, false_discovery
from morpho.inference.models.design import InferenceError

__all__ = ["relative_sizes"]

Array = NDArray[np.float64]


def _check_sizes(sizes: ArrayLike, elements: Sequence[str], name: str) -> Array:
    X = np.asarray(sizes, dtype=float)
    if X.ndim != 2 or X.shape[1] != len(elements):
        raise InferenceError(
            f"`{name}` must have shape (n_individuals, {len(elements)}), a column for each "
            f"element, but has shape {X.shape}."
        )
    wrong = np.argwhere(~np.isnan(X) & ~((X > 0) & np.isfinite(X)))
    if len(wrong):
        row, column = wrong[0]
        raise InferenceError(
            f"`{name}` holds {X[row, column]} for {elements[column]} of individual {row} (counted "
            "from 0): a centroid size is more than 0, or NaN where the bone is missing."
        )
    return X


def relative_sizes(
    sizes: ArrayLike,
    taxa: ArrayLike,
    queries: ArrayLike,
    *,
    elements: Sequence[str],
    names: Sequence[object] | None = None,
    log_size: ArrayLike | None = None,
    query_log_size: ArrayLike | None = None,
    spread: str = "taxon",
) -> pd.DataFrame:
    r"""Ratios of the centroid sizes of elements: queries beside each taxon.

    Parameters
    ----------
    sizes : array-like of shape (n_individuals, n_elements)
        Centroid sizes of known individuals, in one unit; NaN where an element is missing.
    taxa : array-like of shape (n_individuals,)
    queries : array-like of shape (n_queries, n_elements)
        Likewise, of the queries.
    elements : sequence of str
        Names of the columns.
    names : sequence, optional
        Names of the queries; their numbers from 0 by default.
    log_size, query_log_size : array-like of shape (n_individuals,) and (n_queries,), optional
        A log size of the whole individual; given, taxa are compared at the size of the query.
    spread : {'taxon', 'pooled'}
        See `TaxonRanges`.

    Returns
    -------
    DataFrame
        A row for each query, pair of elements and taxon, with the columns `query`, `first`,
        `second`, `taxon`, `specimens` (known individuals with both elements),
        `ratio_minimum`, `ratio_maximum`, `ratio_mean` (geometric), `log_ratio_mean`,
        `log_ratio_sd`, `query_ratio`, `query_log_ratio`, `standardised_difference`,
        `p_value`, `p_value_false_discovery` (over the pairs) and `outside_range`. NaN (in
        `outside_range` None) where the query lacks an element, or the taxon has too few
        individuals with both.

    Raises
    ------
    InferenceError
        If the arrays do not fit together, there are fewer than two elements, a size is not
        positive, or log sizes are given for known or queries only.

    Notes
    -----
    Ratios are compared as :math:`\ln(C_1 / C_2)`: then it does not matter which element comes
    first, and the differences are those of log sizes (Mosimann 1970, Journal of the American
    Statistical Association 65(330), 930-945: shape as ratios of sizes). The p-value is that of one
    new member, two-sided, see `TaxonRanges`. Centroid sizes depend on the number of landmarks
    of the scheme, so a ratio means something only beside others of the same schemes.

    Examples
    --------
    >>> sizes = [[20.0, 10.0], [21.0, 10.0], [22.0, 11.0], [20.0, 11.0]]
    >>> table = relative_sizes(sizes, ["a"] * 4, [[30.0, 10.0]], elements=["jaw", "atlas"])
    >>> round(float(table.query_ratio[0]), 6), bool(table.outside_range[0])
    (3.0, True)
    """
    labels = check_names(elements, len(elements), "elements")
    if len(labels) < 2:
        raise InferenceError("Relative sizes need at least two elements.")
    known = np.log(_check_sizes(sizes, labels, "sizes"))
    asked = np.log(_check_sizes(queries, labels, "queries"))
    query_names = check_names(names, len(asked), "queries")
    if (log_size is None) != (query_log_size is None):
        raise InferenceError("`log_size` and `query_log_size` are given together or not at all.")
    a, b = np.triu_indices(len(labels), 1)
    model = TaxonRanges(spread=spread).fit(known[:, a] - known[:, b], taxa, log_size)
    found = model.compare(asked[:, a] - asked[:, b], query_log_size)
    # pairs before taxa
    turned = {
        name: np.swapaxes(getattr(found, name), 1, 2)
        for name in (
            "minimum",
            "maximum",
            "mean",
            "outside_or_blank",
            "p_value",
            "standardised_difference",
        )
    }
    q, m, G = turned["mean"].shape
    row, pair, taxon = (index.ravel() for index in np.indices((q, m, G)))
    value = np.broadcast_to(found.value[:, :, None], (q, m, G)).ravel()
    return pd.DataFrame(
        {
            "query": [query_names[i] for i in row],
            "first": [labels[a[i]] for i in pair],
            "second": [labels[b[i]] for i in pair],
            "taxon": found.taxa[taxon],
            "specimens": found.specimens.T[pair, taxon],
            "ratio_minimum": np.exp(turned["minimum"]).ravel(),
            "ratio_maximum": np.exp(turned["maximum"]).ravel(),
            "ratio_mean": np.exp(turned["mean"]).ravel(),
            "log_ratio_mean": turned["mean"].ravel(),
            "log_ratio_sd": found.standard_deviation.T[pair, taxon],
            "query_ratio": np.exp(value),
            "query_log_ratio": value,
            "standardised_difference": turned["standardised_difference"].ravel(),
            "p_value": turned["p_value"].ravel(),
            "p_value_false_discovery": false_discovery(turned["p_value"], axis=1).ravel(),
            "outside_range": turned["outside_or_blank"].ravel(),
        }
    )
