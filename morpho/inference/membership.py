"""Does a query belong to a known taxon? The evidence, taxon by taxon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import softmax
from scipy.stats import f as f_distribution
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from morpho.inference.allometry import CommonSlope, check_size
from morpho.inference.design import InferenceError, check_matrix, indicator, term_basis

__all__ = ["Evidence", "Membership", "typicality"]

Array = NDArray[np.float64]

_TIE = 1e-10
# A specimen with less than this left of its own variance is fitted exactly.
_ALONE = 1e-9


def typicality(squared_distance: ArrayLike, p: int, v: int, leverage: ArrayLike) -> Array:
    r"""Typicality probability: how often a member would lie at least as far out.

    .. math:: \frac{D^2}{1 + h} \cdot \frac{v - p + 1}{v\,p} \sim F(p,\ v - p + 1)

    for a new observation at squared Mahalanobis distance :math:`D^2` from its
    predicted place, with a covariance matrix on :math:`v` degrees of freedom and
    :math:`h` the leverage of the observation: :math:`1/n_g` where the prediction is
    the mean of :math:`n_g` specimens, more where a regression is read off away from
    its middle. For one group it is Hotelling's :math:`T^2` of a new observation.

    Parameters
    ----------
    squared_distance : array-like
        Squared Mahalanobis distances.
    p : int
        Number of variables.
    v : int
        Degrees of freedom of the covariance matrix.
    leverage : array-like
        Broadcast against the distances.

    Returns
    -------
    ndarray
        Probabilities; NaN where v < p, as the sample is then too small.

    References
    ----------
    McLachlan, G. J. (1992). Discriminant Analysis and Statistical Pattern Recognition,
    section 6.4: typicality. Anderson, T. W. (2003). An Introduction to Multivariate
    Statistical Analysis, 3rd ed., theorem 5.2.2: the distribution. Cited from memory.

    Examples
    --------
    >>> float(typicality(0.0, p=2, v=20, leverage=0.1))
    1.0
    """
    squared_distance = np.asarray(squared_distance, dtype=float)
    if v < p:
        return np.full(squared_distance.shape, np.nan)
    F = squared_distance / (1 + np.asarray(leverage)) * (v - p + 1) / (v * p)
    return f_distribution.sf(F, p, v - p + 1)


@dataclass(frozen=True)
class Evidence:
    """What speaks for and against each query in each taxon.

    All arrays have shape (n_queries, n_taxa) unless said otherwise.

    Attributes
    ----------
    taxa : ndarray of shape (n_taxa,)
    specimens : ndarray of shape (n_taxa,)
        Known specimens of each taxon.
    procrustes_distance
        From the query to the shape predicted for the taxon, in all of tangent space.
    comparable_distance
        The Procrustes distance divided by the square root of 1 + leverage: on the scale
        of `Membership.spread`, which measures known specimens against their own taxa.
    mahalanobis_distance
        The distance on the axes retained, in pooled within-taxon standard deviations.
    typicality_probability
        See `typicality`; NaN where the sample is too small for the axes.
    rank_p_value
        Share of the taxon's specimens, the query among them, that lie as far out by
        Procrustes distance.
    axes_rank_p_value
        The same by Mahalanobis distance on the axes retained; NaN as above.
    rank_floor : ndarray of shape (n_taxa,)
        Smallest value of both that the taxon's number allows: 1 / (n_g + 1), or 1 for a
        taxon of one, from which the query is as far as that one from the query.
    pooled_rank_p_value
        Share of all known specimens and the query that lie as far from their own taxa.
    pooled_rank_floor
        Smallest pooled rank p-value that the number of known specimens allows.
    p_value
        Evidence against membership: twice the smaller of typicality probability and
        pooled rank p-value, at most 1 (one of the two alone where the other is NaN).
    posterior_probability
        Of each taxon were it certain that the query belongs to one of them.
    """

    taxa: NDArray
    specimens: NDArray[np.int_]
    procrustes_distance: Array
    comparable_distance: Array
    mahalanobis_distance: Array
    typicality_probability: Array
    rank_p_value: Array
    axes_rank_p_value: Array
    rank_floor: Array
    pooled_rank_p_value: Array
    pooled_rank_floor: Array
    p_value: Array
    posterior_probability: Array


class Membership(BaseEstimator):
    r"""Compare queries with known taxa, with or without regard to size.

    Attributes
    ----------
    taxa_ : ndarray of shape (n_taxa,)
    degrees_of_freedom_ : int
        Of the pooled within-taxon covariance, less one where size is heeded.
    covariance_ : ndarray of shape (n_axes, n_axes)
        Pooled within-taxon covariance of the scores.
    slope_ : CommonSlope or None

    Notes
    -----
    Known specimens follow a linear model: a mean for each taxon and, where size is
    given, one slope within taxa. For the query under the hypothesis that it belongs to
    taxon :math:`g`, :math:`e_g` is its deviation from the model's prediction and
    :math:`h_g` the leverage of the prediction.

    *Typicality* uses the scores on the axes retained, see `typicality`.

    *Rank p-values* need no distribution. The query is put into taxon :math:`g`, the
    model refitted, and the residuals of all specimens are ranked: by
    :math:`\lVert e_i \rVert^2 / (1 - h_{ii})` in all of tangent space, and by
    :math:`e_i^\top S^{-1} e_i / (1 - h_{ii})` on the axes retained, with :math:`S` the
    residual products of the refitted model; both rise and fall with the distance of a
    specimen from what the others predict for it. Specimens of one taxon are then
    exchangeable, so the rank p-value within the taxon is valid at every sample size
    (Vovk, Gammerman & Shafer 2005, Algorithmic Learning in a Random World, section
    2.2: conformal prediction) where size is left alone, and very nearly so where it is
    heeded. The ranking among specimens of all taxa assumes in addition that they
    spread alike, as the pooled covariance does, and has a much lower floor.
    """

    def fit(
        self, Y: ArrayLike, scores: ArrayLike, labels: ArrayLike, size: ArrayLike | None = None
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
        self.slope_ = None
        if self.size_ is not None:
            self.slope_ = CommonSlope().fit(Y, self.size_, labels)
            extra = term_basis(self.size_[:, None], basis)
            basis = np.hstack([basis, extra])
            self.size_means_ = columns.T @ self.size_ / self.counts_
            self.size_length_ = float((extra.T @ self.size_)[0])
        self.basis_ = basis
        self.degrees_of_freedom_ = len(Y) - basis.shape[1]
        if self.degrees_of_freedom_ < 1:
            raise InferenceError(
                f"{len(Y)} specimens in {len(self.taxa_)} taxa leave no variation within taxa "
                "to judge by."
            )
        self.fits_ = basis.T @ Y, basis.T @ scores
        self.residuals_ = Y - basis @ self.fits_[0]
        self.rest_ = rest = scores - basis @ self.fits_[1]
        self.leverages_ = (basis**2).sum(axis=1)
        self.covariance_ = rest.T @ rest / self.degrees_of_freedom_
        p = scores.shape[1]
        self.usable_ = self.degrees_of_freedom_ >= p and (
            int(np.linalg.matrix_rank(self.covariance_)) == p
        )
        return self

    def _places(self, size: Array | None, n_queries: int) -> Array:
        """Row of the model's basis for each query in each taxon: (n_queries, n_taxa, rank)."""
        G = len(self.taxa_)
        rows = np.zeros((n_queries, G, self.basis_.shape[1]))
        rows[:, np.arange(G), np.arange(G)] = 1 / np.sqrt(self.counts_)
        if self.size_ is not None and size is not None:
            rows[:, :, G] = (size[:, None] - self.size_means_) / self.size_length_
        return rows

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
        alone = room < 1e-9
        lengths = np.linalg.norm(self.residuals_, axis=1)
        return np.where(alone, np.nan, lengths / np.sqrt(np.where(alone, 1.0, room)))

    def evidence(self, Y: ArrayLike, scores: ArrayLike, size: ArrayLike | None = None) -> Evidence:
        """Compare queries with each taxon.

        Parameters
        ----------
        Y : array-like of shape (n_queries, n_variables)
        scores : array-like of shape (n_queries, n_axes)
        size : array-like of shape (n_queries,), optional
            Needed where the fit heeded size.

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
        where = self._places(None if size is None else check_size(size, len(Y)), len(Y))
        h = (where**2).sum(axis=2)
        e = Y[:, None] - where @ self.fits_[0]
        z = scores[:, None] - where @ self.fits_[1]
        p, v = scores.shape[1], self.degrees_of_freedom_
        if self.usable_:
            squared = np.einsum(
                "qgi,qgi->qg", z, np.linalg.solve(self.covariance_, z[..., None])[..., 0]
            )
            typical = typicality(squared, p, v, h)
        else:
            squared = typical = np.full(h.shape, np.nan)
        own, on_axes, pooled, pooled_floor = self._ranks(e, z, h, where)
        both = np.stack([typical, pooled])
        tests = (~np.isnan(both)).sum(axis=0)
        distance = np.linalg.norm(e, axis=2)
        return Evidence(
            taxa=self.taxa_,
            specimens=self.counts_.astype(int),
            procrustes_distance=distance,
            comparable_distance=distance / np.sqrt(1 + h),
            mahalanobis_distance=np.sqrt(squared),
            typicality_probability=typical,
            rank_p_value=own,
            axes_rank_p_value=on_axes,
            rank_floor=np.where(self.counts_ > 1, 1 / (self.counts_ + 1), 1.0),
            pooled_rank_p_value=pooled,
            pooled_rank_floor=pooled_floor,
            p_value=np.minimum(tests * np.nanmin(both, axis=0), 1.0),
            posterior_probability=softmax(-squared / 2, axis=1),
        )

    def _ranks(self, e: Array, z: Array, h: Array, where: Array) -> tuple[Array, ...]:
        """Rank p-values: in the taxon, in it on the axes, among all, and the last one's floor.

        Once the query has joined taxon g, the residual of specimen i is e_i - c_i e and its
        leverage h_ii - c_i^2 (1 + h); a specimen that the model then fits exactly, alone in
        its taxon, is not ranked.
        """
        c = np.einsum("nr,qgr->qgn", self.basis_, where) / (1 + h)[..., None]
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

        on_axes = np.full(h.shape, np.nan)
        if self.usable_:
            joined = np.einsum("qgi,qgj->qgij", z, z) / (1 + h)[..., None, None]
            metric = np.linalg.inv(self.covariance_ * self.degrees_of_freedom_ + joined)
            moved = self.rest_ - c[..., None] * z[:, :, None]
            squares = np.einsum("qgni,qgni->qgn", moved @ metric, moved)
            query = np.einsum("qgi,qgij,qgj->qg", z, metric, z)
            on_axes = share_of_taxon(reached(squares, query))
        return share_of_taxon(as_far), on_axes, pooled, pooled_floor
