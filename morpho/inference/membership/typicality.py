"""Does a query belong to a known taxon? The evidence, taxon by taxon."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import softmax
from scipy.stats import f as f_distribution
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from morpho.inference.membership.evidence import Evidence
from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, check_matrix, indicator
from morpho.inference.models.distances import effective_dimensions, squared_mahalanobis, typicality
from morpho.inference.models.principal_axes import PrincipalAxes
from morpho.inference.models.slopes import slope_basis

__all__ = ["Evidence", "Membership", "typicality"]

Array = NDArray[np.float64]

_TIE = 1e-10
# A specimen with less than this left of its own variance is fitted exactly.
_ALONE = 1e-9


class Membership(BaseEstimator):
    r"""Compare queries with known taxa, with or without regard to size.

    Attributes
    ----------
    taxa_ : ndarray of shape (n_taxa,)
    degrees_of_freedom_ : int
        Of the pooled within-taxon covariance, less the number of slopes where size is heeded.
    covariance_ : ndarray of shape (n_axes, n_axes)
        Pooled within-taxon covariance of the scores.
    residuals_ : ndarray of shape (n_specimens, n_variables)
        Deviations of the known specimens from their taxa.
    principal_axes_ : PrincipalAxes
        Of these.

    Notes
    -----
    Known specimens follow a linear model: a mean for each taxon and, where size is
    given, one slope within taxa, or slopes of their own for some. For the query under the
    hypothesis that it belongs to taxon :math:`g`, :math:`e_g` is its deviation from the
    model's prediction and :math:`h_g` the leverage of the prediction.

    *Typicality* uses scores on a few axes, see `typicality`. They are given, or found for
    each query and taxon: the principal axes of the variation within taxa *with the query
    among the taxon's members*, so that all specimens have the same part in them. Axes of
    the known specimens alone follow the accidents of that sample: a new member falls
    short of them, and a new form in a direction of its own has hardly any extent on them.

    *Rank p-values* need no distribution. The query is put into taxon :math:`g`, the
    model refitted, and the residuals of all specimens are ranked: by
    :math:`\lVert e_i \rVert^2 / (1 - h_{ii})` in all of tangent space, and by
    :math:`e_i^\top S^{-1} e_i / (1 - h_{ii})` on the axes retained, with :math:`S` the
    residual products of the refitted model; both rise and fall with the distance of a
    specimen from what the others predict for it. Specimens of one taxon are then
    exchangeable, so the rank p-value within the taxon is valid at every sample size
    (Vovk, Gammerman & Shafer 2005, Algorithmic Learning in a Random World:
    conformal prediction) for the coordinates given; very nearly so where size is
    heeded, or where the coordinates come from a superimposition of the known specimens.
    The ranking among specimens of all taxa assumes in addition that they spread alike, as
    the pooled covariance does, and has a much lower floor.

    *Own spread*: the query's squared distance by the mean squared distance of the taxon's
    members. In how many dimensions they spread is estimated from all taxa and from the taxon
    alone, and the smaller number counts, see `effective_dimensions`: few specimens cannot tell
    it well by themselves, and a taxon may vary along fewer directions than the others.

    Estimates of missing landmarks lie nearer to the mean than bones do. Among known specimens
    they make p-values too small, in a query too large: with two of fifteen landmarks estimated
    in half of the known specimens, typicality rejected about a tenth of members at a level of
    5 %, and the verdict, in which several tests must agree, 3 % (simulations in
    tests/outside/test_levels_with_estimates.py).
    """

    def fit(
        self,
        Y: ArrayLike,
        scores: ArrayLike,
        labels: ArrayLike,
        size: ArrayLike | None = None,
        *,
        own_slopes: Sequence[str] = (),
    ) -> Membership:
        """Learn the taxa.

        Parameters
        ----------
        Y : array-like of shape (n_specimens, n_variables)
            Tangent coordinates of the known specimens.
        scores : array-like of shape (n_specimens, n_axes)
            Their scores on the axes retained.
        labels : array-like of shape (n_specimens,)
            Taxa.
        size : array-like of shape (n_specimens,), optional
            Log centroid sizes; given, each taxon is compared at the query's own size.
        own_slopes : sequence of str
            Taxa with a growth line of their own; the others share one.

        Returns
        -------
        self

        Raises
        ------
        InferenceError
            If no degrees of freedom are left within taxa, or sizes do not vary there.
        """
        Y = check_matrix(Y)
        scores = check_matrix(scores, name="scores")
        self.taxa_, columns = indicator(labels, len(Y))
        if len(Y) != len(scores):
            raise InferenceError(f"`Y` has {len(Y)} specimens, but `scores` has {len(scores)}.")
        self.columns_ = columns
        self.counts_ = columns.sum(axis=0)
        basis = columns / np.sqrt(self.counts_)
        self.size_ = None if size is None else check_size(size, len(Y))
        if self.size_ is not None:
            extra, self.slope_of_, self.size_lengths_ = slope_basis(
                self.size_, self.taxa_, columns, own_slopes
            )
            basis = np.hstack([basis, extra])
            self.size_means_ = columns.T @ self.size_ / self.counts_
            own = np.where(columns > 0, self.size_[:, None], np.nan)
            self.size_limits_ = np.nanmin(own, axis=0), np.nanmax(own, axis=0)
        self.basis_ = basis
        self.degrees_of_freedom_ = len(Y) - basis.shape[1]
        if self.degrees_of_freedom_ < 1:
            raise InferenceError(
                f"{len(Y)} specimens in {len(self.taxa_)} taxa leave no variation within taxa "
                "to judge by.",
                "few_per_taxon",
                specimens=len(Y),
                taxa=len(self.taxa_),
            )
        self.fits_ = basis.T @ Y, basis.T @ scores
        self.residuals_ = Y - basis @ self.fits_[0]
        self.principal_axes_ = PrincipalAxes.of(self.residuals_)
        self.rest_ = rest = scores - basis @ self.fits_[1]
        self.leverages_ = (basis**2).sum(axis=1)
        self.covariance_ = rest.T @ rest / self.degrees_of_freedom_
        return self

    def _places(self, size: Array | None, n_queries: int, within: bool = False) -> Array:
        """Row of the model's basis for each query in each taxon: (n_queries, n_taxa, rank)."""
        G = len(self.taxa_)
        rows = np.zeros((n_queries, G, self.basis_.shape[1]))
        rows[:, np.arange(G), np.arange(G)] = 1 / np.sqrt(self.counts_)
        if self.size_ is not None and size is not None:
            at = np.clip(size[:, None], *self.size_limits_) if within else size[:, None]
            along = (at - self.size_means_) / self.size_lengths_[self.slope_of_]
            rows[:, np.arange(G), G + self.slope_of_] = along
        return rows

    def _joining(self, Y: Array, where: Array) -> tuple[Array, Array, Array]:
        """Deviations of queries, leverages, and the part of each that known residuals lose.

        Of shapes (n_queries, n_taxa, n_variables), (n_queries, n_taxa) and (n_queries, n_taxa,
        n_specimens): with the query in the taxon, that of specimen i is e_i - c_i e.
        """
        h = (where**2).sum(axis=2)
        c = np.einsum("nr,qgr->qgn", self.basis_, where) / (1 + h)[..., None]
        return Y[:, None] - where @ self.fits_[0], h, c

    def predict(self, size: ArrayLike | None, n_queries: int) -> Array:
        """Shape expected of each query in each taxon, at the query's own size where heeded.

        Parameters
        ----------
        size : array-like of shape (n_queries,) or None
            Log centroid sizes.
        n_queries : int

        Returns
        -------
        ndarray of shape (n_queries, n_taxa, n_variables)
        """
        check_is_fitted(self)
        at = None if size is None else check_size(size, n_queries)
        return self._places(at, n_queries) @ self.fits_[0]

    def spread(self) -> Array:
        """Distance of each known specimen from what the others predict for its taxon.

        Its residual divided by the square root of 1 - leverage, so that distances do
        not depend on the number of specimens in the taxon.

        Returns
        -------
        ndarray of shape (n_specimens,)
            NaN for a specimen that is alone in its taxon.
        """
        check_is_fitted(self)
        room = 1 - self.leverages_
        alone = room < _ALONE
        lengths = np.linalg.norm(self.residuals_, axis=1)
        return np.where(alone, np.nan, lengths / np.sqrt(np.where(alone, 1.0, room)))

    def _own_spread(self, comparable: Array) -> Array:
        """P-values of distances by the spread of each taxon alone."""
        room = self.columns_.T @ (1 - self.leverages_)
        spread = self.columns_.T @ (self.residuals_**2).sum(axis=1)
        known = (self.counts_ > 1) & (room > _ALONE) & (spread > 0)
        d = np.full(
            len(self.taxa_), effective_dimensions(self.residuals_, self.degrees_of_freedom_)
        )
        for g in np.flatnonzero(known):
            members = self.residuals_[self.columns_[:, g] > 0]
            d[g] = min(d[g], effective_dimensions(members, room[g]))
        mean_square = np.where(known, spread, 1.0) / np.where(known, room, 1.0)
        p = f_distribution.sf(comparable**2 / mean_square, d, d * np.where(known, room, 1.0))
        return np.where(known, p, np.nan)

    def evidence(
        self,
        Y: ArrayLike,
        scores: ArrayLike,
        size: ArrayLike | None = None,
        *,
        own_axes: int | None = None,
        within_sizes: bool = False,
    ) -> Evidence:
        """Compare queries with each taxon.

        Parameters
        ----------
        Y : array-like of shape (n_queries, n_variables)
        scores : array-like of shape (n_queries, n_axes)
        size : array-like of shape (n_queries,), optional
            Needed where the fit heeded size.
        own_axes : int, optional
            Number of axes to find for each query and taxon, for typicality and the rank on
            the axes; by default both use the scores.
        within_sizes : bool
            Read growth lines off at the nearest size that was measured of the taxon, in place
            of the query's own where that lies beyond.

        Returns
        -------
        Evidence

        Raises
        ------
        InferenceError
            If the arrays do not fit those of the known specimens, or size is needed.
        """
        check_is_fitted(self)
        Y = check_matrix(Y, least=1, n_variables=self.residuals_.shape[1])
        scores = check_matrix(scores, name="scores", least=1, n_variables=self.covariance_.shape[0])
        if len(Y) != len(scores):
            raise InferenceError(f"`Y` has {len(Y)} queries, but `scores` has {len(scores)}.")
        if self.size_ is not None and size is None:
            raise InferenceError("The fit heeded size: `size` of the queries is needed.")
        at = None if size is None else check_size(size, len(Y))
        where = self._places(at, len(Y), within_sizes)
        e, h, c = self._joining(Y, where)
        shared = scores[:, None] - where @ self.fits_[1]
        apart = squared_mahalanobis(self.rest_, shared, self.degrees_of_freedom_)
        if own_axes is None:
            rest, z, squared = self.rest_, shared, apart
        else:
            rest, z = self.principal_axes_.joined_by(e, h, own_axes)
            squared = squared_mahalanobis(rest, z, self.degrees_of_freedom_)
        typical = typicality(squared, z.shape[-1], self.degrees_of_freedom_, h)
        typical = np.where(np.isnan(squared), np.nan, typical)
        own, on_axes, pooled, pooled_floor = self._ranks(e, rest, z, h, c)
        both = np.stack([typical, pooled])
        tests = (~np.isnan(both)).sum(axis=0)
        distance = np.linalg.norm(e, axis=2)
        comparable = distance / np.sqrt(1 + h)
        return Evidence(
            taxa=self.taxa_,
            specimens=self.counts_.astype(int),
            procrustes_distance=distance,
            comparable_distance=comparable,
            mahalanobis_distance=np.sqrt(squared),
            typicality_probability=typical,
            rank_p_value=own,
            axes_rank_p_value=np.where(np.isnan(squared), np.nan, on_axes),
            rank_floor=np.where(self.counts_ > 1, 1 / (self.counts_ + 1), 1.0),
            own_spread_p_value=self._own_spread(comparable),
            pooled_rank_p_value=pooled,
            pooled_rank_floor=pooled_floor,
            p_value=np.minimum(tests * np.nanmin(both, axis=0), 1.0),
            posterior_probability=softmax(-apart / 2, axis=1),
            beyond_sizes=self._beyond_sizes(at, h.shape),
        )

    def _beyond_sizes(self, at: Array | None, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        if self.size_ is None or at is None:
            return np.zeros(shape, dtype=bool)
        low, high = self.size_limits_
        return (at[:, None] < low) | (at[:, None] > high)

    def _ranks(self, e: Array, rest: Array, z: Array, h: Array, c: Array) -> tuple[Array, ...]:
        """Rank p-values: in the taxon, in it on the axes, among all, and the last one's floor.

        Once the query has joined taxon g, the residual of specimen i is e_i - c_i e and its
        leverage h_ii - c_i^2 (1 + h); a specimen that the model then fits exactly, alone in
        its taxon, is not ranked.
        """
        room = 1 - self.leverages_ + c**2 * (1 + h)[..., None]
        judged = room > _ALONE

        def reached(known: Array, query: Array) -> NDArray[np.bool_]:
            d = np.where(judged, known / np.where(judged, room, 1.0), -np.inf)
            return d >= (query / (1 + h))[..., None] * (1 - _TIE)

        def share_of_taxon(as_far: NDArray[np.bool_]) -> Array:
            return (np.einsum("qgn,ng->qg", as_far, self.columns_) + 1) / (self.counts_ + 1)

        # all of tangent space: by inner products, as it may be wide
        lengths = (e**2).sum(axis=2)
        cross = np.einsum("qgm,nm->qgn", e, self.residuals_)
        squares = (self.residuals_**2).sum(axis=1) - 2 * c * cross + c**2 * lengths[..., None]
        as_far = reached(squares, lengths)
        pooled_floor = 1 / (judged.sum(axis=2) + 1)
        pooled = (as_far.sum(axis=2) + 1) * pooled_floor
        pooled_floor = pooled_floor * np.where(self.counts_ == 1, 2, 1)

        joined = np.einsum("qgi,qgj->qgij", z, z) / (1 + h)[..., None, None]
        metric = np.linalg.pinv(np.swapaxes(rest, -1, -2) @ rest + joined, hermitian=True)
        moved = rest - c[..., None] * z[:, :, None]
        squares = np.einsum("qgni,qgni->qgn", moved @ metric, moved)
        query = np.einsum("qgi,qgij,qgj->qg", z, metric, z)
        on_axes = share_of_taxon(reached(squares, query))
        return share_of_taxon(as_far), on_axes, pooled, pooled_floor
