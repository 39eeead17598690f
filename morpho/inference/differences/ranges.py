"""Single values of a query held against the values of each known taxon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, stdtr

from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, indicator
from morpho.shape.contract import Estimator, check_is_fitted

__all__ = [
    "RangeComparison",
    "TaxonRanges",
    "check_names",
    "false_discovery",
    "small_sample_factor",
]

Array = NDArray[np.float64]

# Values this close to the end of a range, as a share of it, lie within: rounding.
_ROUNDING = 1e-9
# A spread below this share of the largest value is rounding, and no spread.
_NO_SPREAD = 1e-12


def check_names(names: Sequence[object] | None, n: int, what: str) -> list:
    """Return `n` distinct names; their numbers from 0 where none are given.

    Parameters
    ----------
    names : sequence, optional
    n : int
    what : str
        What is named, in the plural.

    Returns
    -------
    list

    Raises
    ------
    InferenceError
        If there are not `n` names, or one of them stands twice.
    """
    if names is None:
        return list(range(n))
    found = list(names)
    if len(found) != n:
        raise InferenceError(f"There are {len(found)} names for {n} {what}.")
    twice = sorted({str(name) for name in found if found.count(name) > 1})
    if twice:
        raise InferenceError(f"Names of {what} stand more than once: {', '.join(twice)}.")
    return found


def false_discovery(p_values: ArrayLike, axis: int = -1) -> Array:
    """P-values adjusted so that the expected share of false discoveries is held.

    Calling those below a level discoveries, the share of true null hypotheses among them is
    at most that level in expectation, for independent p-values and for those that rise and
    fall together (Benjamini & Hochberg 1995, Journal of the Royal Statistical Society:
    Series B (Methodological) 57(1), 289-300; Benjamini & Yekutieli 2001, The Annals of
    Statistics 29(4), 1165-1188).

    Parameters
    ----------
    p_values : array-like
        NaN where nothing was tested; it stays NaN and does not count as a test.
    axis : int
        Along which the tests of one family run.

    Returns
    -------
    ndarray
        Of the shape of `p_values`.

    Raises
    ------
    InferenceError
        If a p-value lies outside 0 to 1.

    Examples
    --------
    >>> false_discovery([0.01, float("nan"), 0.04, 0.03]).tolist()
    [0.03, nan, 0.04, 0.04]
    """
    from scipy.stats import false_discovery_control  # takes long to import

    p = np.asarray(p_values, dtype=float)
    if ((p < 0) | (p > 1)).any():
        raise InferenceError("P-values must lie between 0 and 1.")
    if p.ndim == 0 or p.size == 0:
        return p.copy()
    rows = np.moveaxis(p, axis, -1)
    result = np.full(rows.shape, np.nan)
    for place in np.ndindex(rows.shape[:-1]):
        tested = ~np.isnan(rows[place])
        if tested.any():
            result[place][tested] = false_discovery_control(rows[place][tested])
    return np.moveaxis(result, -1, axis)


def small_sample_factor(degrees_of_freedom: ArrayLike) -> Array:
    r"""Factor that takes the small-sample bias from a standardised difference.

    :math:`J(v) = \Gamma(v/2) / (\sqrt{v/2}\, \Gamma((v-1)/2))`, close to
    :math:`1 - 3/(4v - 1)` (Hedges 1981, Journal of Educational Statistics 6(2), 107-128).

    Parameters
    ----------
    degrees_of_freedom : array-like
        Of the standard deviation.

    Returns
    -------
    ndarray
        NaN at one degree of freedom or less, where a standardised difference has no mean.

    Examples
    --------
    >>> small_sample_factor([1, 2, 10]).round(3).tolist()
    [nan, 0.564, 0.923]
    """
    v = np.asarray(degrees_of_freedom, dtype=float)
    enough = v > 1
    v = np.where(enough, v, 2.0)
    factor = np.exp(gammaln(v / 2) - gammaln((v - 1) / 2)) / np.sqrt(v / 2)
    return np.where(enough, factor, np.nan)


@dataclass(frozen=True)
class RangeComparison:
    """Values of queries beside those of each taxon; NaN where something is missing.

    Attributes
    ----------
    taxa : ndarray of shape (n_taxa,)
    value : ndarray of shape (n_queries, n_values)
    specimens : ndarray of int, of shape (n_taxa, n_values)
        Known specimens that have the value.
    minimum, maximum, mean : ndarray of shape (n_queries, n_taxa, n_values)
        Of each taxon; where size is heeded, at the size of the query.
    standard_deviation, degrees_of_freedom : ndarray of shape (n_taxa, n_values)
        Of each taxon about its mean or line.
    outside : ndarray of bool, of shape (n_queries, n_taxa, n_values)
        Whether the value is less than the minimum or more than the maximum; also of a single
        specimen. False where there is no value or no range, see `outside_or_blank`.
    standardised_difference : ndarray of shape (n_queries, n_taxa, n_values)
        From the mean, in standard deviations, positive where the query's value is larger, with
        the correction for small samples.
    p_value : ndarray of shape (n_queries, n_taxa, n_values)
        Of one new member, two-sided.
    """

    taxa: NDArray
    value: Array
    specimens: NDArray[np.intp]
    minimum: Array
    maximum: Array
    mean: Array
    standard_deviation: Array
    degrees_of_freedom: Array
    outside: NDArray[np.bool_]
    standardised_difference: Array
    p_value: Array

    @property
    def outside_or_blank(self) -> NDArray[np.object_]:
        """`outside` as objects: None where the query has no value, or the taxon no range."""
        known = ~np.isnan(self.value[:, None, :]) & ~np.isnan(self.minimum)
        told = self.outside.astype(object)
        told[~known] = None
        return told


class TaxonRanges(Estimator):
    r"""Ranges, means and standard deviations of taxa, and queries held against them.

    Parameters
    ----------
    spread : {'taxon', 'pooled'}
        The standard deviation that differences and p-values are judged by: that of the taxon
        itself, or one for all taxa, which assumes that they vary alike.

    Attributes
    ----------
    taxa_ : ndarray of shape (n_taxa,)
    slope_ : ndarray of shape (n_values,)
        Change of each value per unit of log size, common to the taxa; zero where size is not
        heeded.

    Notes
    -----
    Each value follows :math:`y_i = \mu_{g(i)} + b\,(x_i - \bar x_{g(i)}) + \varepsilon_i`,
    with :math:`x` the log size where it is heeded and without the slope else. A query at
    :math:`x_0` has :math:`e = y_0 - \hat\mu_g - \hat b\,(x_0 - \bar x_g)`. Were it a new
    member, then

    .. math:: \frac{e}{s \sqrt{1 + 1/n_g + (x_0 - \bar x_g)^2 / S_{xx}}} \sim t(v)

    (Weisberg 2005, Applied Linear Regression, 3rd ed.: prediction; without size for one taxon:
    Sokal & Rohlf 1995, Biometry, 3rd ed.: a single specimen compared with a sample). The
    taxon's own :math:`s^2` is its sum of squared residuals by
    :math:`v = n_g - 1 - S_{xx,g} / S_{xx}`, which is its expectation; the part of the last term
    is what the common slope takes from this taxon, so that :math:`t(v)`
    is nearly and, without size, exactly right. The pooled one has :math:`v = N - G - 1`
    (:math:`N - G` without size) and is exact where the taxa vary alike.

    The standardised difference is :math:`g = J(v)\, e / s`: the difference of Hedges (1981)
    where the second sample is one observation, which adds nothing to the standard deviation,
    see `small_sample_factor`.

    With size heeded, minimum and maximum are those of :math:`y_i - \hat b\,(x_i - x_0)`: the
    specimens as they would be at the size of the query.

    A value that is missing is left out of its own comparison only.
    """

    def __init__(self, *, spread: str = "taxon") -> None:
        self.spread = spread

    def fit(
        self, values: ArrayLike, labels: ArrayLike, size: ArrayLike | None = None
    ) -> TaxonRanges:
        """Learn the taxa.

        Parameters
        ----------
        values : array-like of shape (n_specimens, n_values)
            NaN where a specimen lacks the value.
        labels : array-like of shape (n_specimens,)
            Taxa of the known specimens.
        size : array-like of shape (n_specimens,), optional
            Log centroid sizes; given, taxa are compared at the size of each query.

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If the arrays do not fit together, a value is infinite, or sizes do not vary
            within any taxon.
        """
        if self.spread not in ("taxon", "pooled"):
            raise InferenceError(f"`spread` must be 'taxon' or 'pooled', but is {self.spread!r}.")
        y = _check_values(values, "values")
        self.taxa_, columns = indicator(labels, len(y))
        there = ~np.isnan(y)
        self.values_, self.columns_ = y, columns
        self.specimens_ = columns.T @ there
        filled = np.where(there, y, 0.0)
        counts = np.where(self.specimens_ > 0, self.specimens_, np.nan)
        mean = columns.T @ filled / counts
        rest = np.where(there, y - columns @ np.nan_to_num(mean), 0.0)
        self.size_ = None if size is None else check_size(size, len(y))
        room = self.specimens_ - 1.0
        self.slope_ = np.zeros(y.shape[1])
        if self.size_ is not None:
            self._size_means = columns.T @ (there * self.size_[:, None]) / counts
            x = np.where(
                there, self.size_[:, None] - columns @ np.nan_to_num(self._size_means), 0.0
            )
            parts = columns.T @ x**2
            whole = parts.sum(axis=0)
            varies = whole > 1e-12 * max(1.0, float(self.size_ @ self.size_))
            if there.any() and not varies.any():
                raise InferenceError(
                    "Sizes do not vary within any taxon: no slope can be found.", "one_size"
                )
            self._size_squares = np.where(varies, whole, np.nan)
            self.slope_ = (x * rest).sum(axis=0) / self._size_squares
            rest = np.where(there, rest - x * self.slope_, 0.0)
            room = room - parts / self._size_squares
        self._mean = mean
        squares = columns.T @ rest**2
        whole_room = (self.specimens_ - 1).clip(min=0).sum(axis=0) - (self.size_ is not None)
        largest = np.abs(filled).max(axis=0, initial=0.0)
        self.standard_deviation_ = _deviation(squares, room, largest)
        self.degrees_of_freedom_ = np.where(room > 1e-9, room, 0.0)
        if self.spread == "pooled":
            pooled = _deviation(squares.sum(axis=0), whole_room.astype(float), largest)
            self._judged_by = np.broadcast_to(pooled, room.shape)
            self._judged_on = np.broadcast_to(whole_room.clip(min=0).astype(float), room.shape)
        else:
            self._judged_by, self._judged_on = self.standard_deviation_, self.degrees_of_freedom_
        return self

    def at_size(self, size: float) -> Array:
        """Values of the known specimens, brought to a size along the common slope.

        Parameters
        ----------
        size : float
            Log centroid size.

        Returns
        -------
        ndarray of shape (n_specimens, n_values)
            As they are where the fit did not heed size.
        """
        check_is_fitted(self)
        if self.size_ is None:
            return self.values_.copy()
        return self.values_ - np.outer(self.size_ - size, self.slope_)

    def compare(self, values: ArrayLike, size: ArrayLike | None = None) -> RangeComparison:
        """Hold queries against each taxon.

        Parameters
        ----------
        values : array-like of shape (n_queries, n_values)
            NaN where a query lacks the value.
        size : array-like of shape (n_queries,), optional
            Log centroid sizes; needed where the fit heeded size.

        Returns
        -------
        RangeComparison

        Raises
        ------
        InferenceError
            If the arrays do not fit those of the known specimens, or size is needed.
        """
        check_is_fitted(self)
        y = _check_values(values, "values of the queries", n_values=self.values_.shape[1])
        if (self.size_ is None) != (size is None):
            raise InferenceError(
                "`size` of the queries is given where the fit heeded size, and only there."
            )
        at = None if size is None else check_size(size, len(y))
        shape = (len(y), *self.specimens_.shape)
        low, high = np.empty(shape), np.empty(shape)
        mean = np.broadcast_to(self._mean, shape)
        leverage = np.broadcast_to(
            1 / np.where(self.specimens_ > 0, self.specimens_, np.nan), shape
        ).copy()
        if at is not None:
            away = at[:, None, None] - self._size_means
            mean = mean + away * self.slope_
            leverage += away**2 / self._size_squares
        for g in range(len(self.taxa_)):
            own = self.columns_[:, g] > 0
            for q in range(len(y)):
                moved = self.values_[own] if at is None else self.at_size(at[q])[own]
                low[q, g] = np.fmin.reduce(moved, axis=0)
                high[q, g] = np.fmax.reduce(moved, axis=0)
        slack = _ROUNDING * np.fmax(np.abs(low), np.abs(high))
        value = y[:, None]
        outside = (value < low - slack) | (value > high + slack)
        difference = (value - mean) / self._judged_by
        v = np.where(self._judged_on > 0, self._judged_on, np.nan)
        p = np.asarray(2 * stdtr(v, -np.abs(difference) / np.sqrt(1 + leverage)))
        return RangeComparison(
            taxa=self.taxa_,
            value=y,
            specimens=self.specimens_.astype(int),
            minimum=low,
            maximum=high,
            mean=mean,
            standard_deviation=self.standard_deviation_,
            degrees_of_freedom=self.degrees_of_freedom_,
            outside=outside,
            standardised_difference=difference * small_sample_factor(self._judged_on),
            p_value=p,
        )


def _deviation(squares: Array, room: Array, largest: Array) -> Array:
    """Standard deviation; NaN where there is nothing to tell it from, or nothing varies."""
    told = room > 1e-9
    s = np.sqrt(np.where(told, squares, np.nan) / np.where(told, room, 1.0))
    return np.where(s > _NO_SPREAD * largest, s, np.nan)


def _check_values(values: ArrayLike, name: str, n_values: int | None = None) -> Array:
    y = np.asarray(values, dtype=float)
    if y.ndim != 2 or 0 in y.shape:
        raise InferenceError(
            f"The {name} must have shape (n_specimens, n_values), but have shape {y.shape}."
        )
    if n_values is not None and y.shape[1] != n_values:
        raise InferenceError(
            f"The {name} must be {n_values} for each, as for the known, but are {y.shape[1]}."
        )
    if np.isinf(y).any():
        raise InferenceError(f"The {name} hold infinite numbers.")
    return y
